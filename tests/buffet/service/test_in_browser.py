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


# What the page of a job said of its progress, kept when it is loaded again.
NOTES_PROGRESS = """addEventListener("DOMContentLoaded", () => {
  const said = document.querySelector("#job [data-text]");
  if (!said) { return; }
  const note = () => { sessionStorage.said = (sessionStorage.said || "") + said.textContent; };
  const changes = { childList: true, characterData: true, subtree: true };
  new MutationObserver(note).observe(said, changes);
});"""


def follow_the_path(served: Served, browser: Browser, archive: Path, baseline: str) -> None:
    """Upload an archive whose baseline is felt more at 130 km/h than at 60."""
    watched = Watched(served.address)
    page = watched.watch(browser.new_context(bypass_csp=True, accept_downloads=True).new_page())
    page.add_init_script(NOTES_PROGRESS)
    page.set_default_timeout(ANALYSED_MS)
    found = [
        *upload(page, served, archive),
        *move_the_slider(page, baseline),
        *take_files_home(page, served, baseline),
    ]
    assert found == []
    assert watched.complaints == []
    assert watched.outside == []


def upload(page: Page, served: Served, archive: Path) -> list[str]:
    """From the list to the result of the first analysis; what the scan found on the way."""
    page.goto(f"{served.address}/")
    found = grave_findings(page)
    page.get_by_role("link", name="Upload", exact=True).click()
    found += grave_findings(page)
    page.get_by_label("zip").set_input_files(archive)
    page.get_by_role("button", name="Upload").click()
    page.wait_for_url("**/jobs/*")
    assert page.get_by_role("status").first.is_visible()
    page.get_by_role("link", name="Show the result").wait_for()
    assert "run " in page.evaluate("sessionStorage.said")
    found += grave_findings(page)
    page.get_by_role("link", name="Show the result").click()
    page.wait_for_url("**/campaigns/1*")
    return found


def move_the_slider(page: Page, baseline: str) -> list[str]:
    """To the slowest speed, by keyboard; the address shows the same without scripts' help."""
    rated = verdicts(page)
    assert rated[baseline] in ("likely", "possible")
    page.get_by_role("slider").focus()
    page.keyboard.press("Home")
    slowest = verdicts(page)
    assert slowest[baseline] != rated[baseline]
    assert "speed=60" in page.url
    page.goto(page.url)
    assert verdicts(page) == slowest
    return grave_findings(page)


def take_files_home(page: Page, served: Served, baseline: str) -> list[str]:
    """The report and a run's samples as files; the comparison, which came with the board."""
    page.get_by_label("Work out").select_option("report")
    page.get_by_role("button", name="Start").click()
    name, report = downloaded(page)
    assert name == "campaign-1-report.html"
    assert baseline in report

    number = served.client.get("/api/campaigns/1/runs").json()["items"][-1]["number"]
    page.goto(f"{served.address}/campaigns/1/runs/{number}")
    found = grave_findings(page)
    page.get_by_label("Calibrated samples as").select_option("CSV")
    page.get_by_role("button", name="Export").click()
    _, samples = downloaded(page)
    assert "lift" in samples[:1000]

    page.goto(f"{served.address}/campaigns/1/compare")
    page.get_by_text(f"Baseline: {baseline}").wait_for()
    return found + grave_findings(page)


def downloaded(page: Page) -> tuple[str, str]:
    """Name and content of what a job's page offers once it is done."""
    link = page.get_by_role("link", name="Show the result")
    link.wait_for()
    with page.expect_download() as download:
        link.click()
    taken = download.value
    return taken.suggested_filename, Path(taken.path()).read_text(encoding="utf-8")
