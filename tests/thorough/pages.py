"""Every page of the service at all widths, in both themes, with scripts and without."""

from __future__ import annotations

from itertools import product

from tests.buffet.board_campaign import documents
from tests.buffet.service.pages.browsing import Watched, browsing, grave_findings
from tests.buffet.service.pages.samples import Documents

WIDTHS = (360, 480, 768, 1024, 1280, 1920)


def print_pages(widths: int) -> None:
    """Findings of the accessibility scan, complaints, and pages wider than the window."""
    with browsing(Documents(**documents())) as (home, every, browser):
        n, faults = 0, 0
        for width, theme, scripts in product(WIDTHS[:widths], ("light", "dark"), (True, False)):
            watched = Watched(home)
            context = browser.new_context(
                viewport={"width": width, "height": 900},
                color_scheme=theme,  # type: ignore[arg-type]
                java_script_enabled=scripts,
            )
            page = watched.watch(context.new_page())
            scan = browser.new_context(
                viewport={"width": width, "height": 900},
                color_scheme=theme,  # type: ignore[arg-type]
                bypass_csp=True,
            ).new_page()
            for address in every:
                n += 1
                page.goto(home + address)
                found = []
                if scripts:
                    scan.goto(home + address)
                    found += grave_findings(scan)
                    wide = page.evaluate("document.documentElement.scrollWidth")
                    found += [f"{wide} px wide"] if wide > width else []
                for text in found:
                    print(f"{width} px, {theme}, {address}: {text}")
                faults += len(found)
            told = [*watched.complaints, *watched.outside]
            for text in told:
                print(f"{width} px, {theme}, scripts {'on' if scripts else 'off'}: {text}")
            faults += len(told)
    print(f"{n} views of {len(every)} pages at {WIDTHS[:widths]} px: {faults} faults")
