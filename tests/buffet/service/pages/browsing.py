"""Chromium on the service's pages: what it complains about, what an accessibility scan finds."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs

from tests.buffet.service.pages.samples import Documents, board, every_page
from tests.buffet.service.pages.serving import Pages, served

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = shutil.which("chromium")
AXE = Path(__file__).parents[1] / "vendor" / "axe" / "axe.min.js"
GRAVE = ("serious", "critical")


@dataclass
class Watched:
    """What a page said and asked for while it was open."""

    home: str
    complaints: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)

    def watch(self, page: Page) -> Page:
        """Listen to a page from now on."""
        page.on("console", lambda one: self._said(one.type, one.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self._asked(request.url))
        return page

    def _said(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(text)

    def _asked(self, address: str) -> None:
        if not address.startswith((self.home, "data:")):
            self.outside.append(address)


def sample_pages(docs: Documents) -> tuple[Pages, dict[str, str]]:
    """Every sample page, the board at any speed."""
    every = every_page(docs)

    def give(path: str, query: str) -> str | None:
        if path == "/campaigns/3" and query:
            return board(docs, "owner", float(parse_qs(query)["speed"][0]))
        return every.get(f"{path}?{query}" if query else path)

    return give, every


@contextmanager
def browsing(docs: Documents) -> Iterator[tuple[str, dict[str, str], Browser]]:
    """The address of the served samples, these, and a browser."""
    from playwright.sync_api import sync_playwright

    pages, every = sample_pages(docs)
    with served(pages) as home, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield home, every, browser
        browser.close()


def grave_findings(page: Page) -> list[str]:
    """Of a scan of the page that is open; its policy must be bypassed for the scan's own script."""
    page.evaluate(AXE.read_text(encoding="utf-8"))
    result: dict[str, Any] = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']} ({one['impact']}): {one['nodes'][0]['html'][:200]}"
        for one in result["violations"]
        if one["impact"] in GRAVE
    ]
