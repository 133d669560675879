"""Every page of the service at all widths, in both themes, with scripts and without.

Then the whole path with the demo campaign, from the upload to the report.
"""

from __future__ import annotations

import tempfile
from itertools import product
from pathlib import Path

from buffet.service.settings import ServiceSettings
from tests.buffet.board_campaign import documents
from tests.buffet.service.pages.browsing import CHROMIUM, Watched, browsing, grave_findings
from tests.buffet.service.pages.samples import Documents
from tests.buffet.service.served import serving, zipped
from tests.buffet.service.test_in_browser import follow_the_path

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
    _whole_path()


def _whole_path() -> None:
    from playwright.sync_api import sync_playwright

    demo = Path(__file__).parents[2] / "demo_runs"
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        archive = Path(name) / "demo.zip"
        archive.write_bytes(zipped(demo))
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        with serving(ServiceSettings(Path(name) / "service")) as running:
            follow_the_path(running, browser, archive, "bare tailgate")
        browser.close()
    print("upload, progress, slider, report, comparison of the demo: no complaint, no finding")
