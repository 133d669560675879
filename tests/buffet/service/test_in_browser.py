"""The whole path in Chromium: upload, progress, slider, verdicts, report; nothing from outside."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import two_configurations
from tests.buffet.service.pages.browsing import CHROMIUM, Watched, grave_findings
from tests.buffet.service.served import Served, serving, zipped

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

ANALYSED_MS = 120_000


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """An empty service."""
    with serving(ServiceSettings(tmp_path / "service")) as running:
        yield running


@pytest.fixture
def browser() -> Iterator[Browser]:
    """Debian's Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield launched
        launched.close()


def verdicts(page: Page) -> dict[str, str]:
    """By configuration, as the board groups them."""
    found: dict[str, str] = page.evaluate(
        """() => Object.fromEntries([...document.querySelectorAll("#board li[data-place]")].map(
          card => [card.querySelector("h4").firstChild.textContent.trim(),
                   card.closest(".group").dataset.verdict]))"""
    )
    return found


def test_from_the_upload_to_the_report(served: Served, browser: Browser, tmp_path: Path) -> None:
    """As a test engineer goes it; `tests.thorough pages` does it with the demo."""
    folder = two_configurations(tmp_path / "campaign")
    (tmp_path / "campaign.zip").write_bytes(zipped(folder))
    follow_the_path(served, browser, tmp_path / "campaign.zip", "bare")


def follow_the_path(served: Served, browser: Browser, archive: Path, baseline: str) -> None:
    """Upload an archive whose baseline is felt more at 130 km/h than at 60."""
    watched = Watched(served.address)
    page = watched.watch(browser.new_context(bypass_csp=True, accept_downloads=True).new_page())
    page.set_default_timeout(ANALYSED_MS)

    page.goto(f"{served.address}/")
    scanned = [page.url, *grave_findings(page)]
    page.get_by_role("link", name="Upload", exact=True).click()
    scanned += grave_findings(page)
    page.get_by_label("zip").set_input_files(archive)
    page.get_by_role("button", name="Upload").click()

    page.wait_for_url("**/jobs/*")
    assert page.get_by_role("status").first.is_visible()
    page.wait_for_function(
        "document.querySelector('#job [data-text]')?.textContent.includes('run ')"
    )
    scanned += grave_findings(page)
    page.get_by_role("link", name="Show the result").click()

    page.wait_for_url("**/campaigns/1*")
    rated = verdicts(page)
    assert rated[baseline] in ("likely", "possible")
    slider = page.get_by_role("slider")
    slider.focus()
    page.keyboard.press("Home")
    slowest = verdicts(page)
    assert slowest[baseline] != rated[baseline]
    assert "speed=60" in page.url
    page.goto(page.url)
    assert verdicts(page) == slowest
    scanned += grave_findings(page)

    page.get_by_label("Work out").select_option("report")
    page.get_by_role("button", name="Start").click()
    link = page.get_by_role("link", name="Show the result")
    link.wait_for()
    with page.expect_download() as download:
        link.click()
    report = Path(download.value.path()).read_text(encoding="utf-8")
    assert baseline in report
    assert download.value.suggested_filename == "campaign-1-report.html"

    number = served.client.get("/api/campaigns/1/runs").json()["items"][-1]["number"]
    page.goto(f"{served.address}/campaigns/1/runs/{number}")
    scanned += grave_findings(page)
    page.get_by_label("Calibrated samples as").select_option("CSV")
    page.get_by_role("button", name="Export").click()
    link.wait_for()
    with page.expect_download() as download:
        link.click()
    assert "lift" in Path(download.value.path()).read_text(encoding="utf-8")[:1000]

    page.goto(f"{served.address}/campaigns/1/compare")
    page.get_by_text(f"Baseline: {baseline}").wait_for()
    scanned += grave_findings(page)
    assert scanned == [f"{served.address}/"]
    assert watched.complaints == []
    assert watched.outside == []
