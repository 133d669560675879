"""The pages in Chromium, under the service's own policy: slider, progress, sheet, accessibility."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import pytest

from tests.buffet.board_campaign import documents
from tests.buffet.report_campaign import HOSTILE
from tests.buffet.service.pages.browsing import CHROMIUM, Watched, browsing, grave_findings
from tests.buffet.service.pages.samples import Documents

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

PHONE = {"width": 360, "height": 780}
SHOWN = """place => {
  const card = document.querySelector(`#board li[data-place="${place}"]`);
  return [card.closest('.group').dataset.verdict, card.querySelector('[data-why]').textContent];
}"""


@pytest.fixture(scope="module")
def docs() -> Documents:
    """Of the small campaign."""
    return Documents(**documents())


@pytest.fixture(scope="module")
def opened(docs: Documents) -> Iterator[tuple[str, dict[str, str], Browser]]:
    """Served samples and a browser."""
    with browsing(docs) as found:
        yield found


def new_page(browser: Browser, watched: Watched, **options: object) -> Page:
    """In a context of its own."""
    return watched.watch(browser.new_context(**options).new_page())  # type: ignore[arg-type]


def test_the_slider_moves_verdicts_and_marks(
    docs: Documents, opened: tuple[str, dict[str, str], Browser]
) -> None:
    """By keyboard, without asking the server; the address keeps the speed."""
    home, _, browser = opened
    watched = Watched(home)
    page = new_page(browser, watched, viewport={"width": 1280, "height": 900})
    page.goto(f"{home}/campaigns/3")
    first = docs.board["configurations"][0]
    mark = page.locator("#strips .wide-screen .at")
    before = mark.get_attribute("d")
    charts = len([row for row in first["criteria"] if any(row["value"])]) + 1
    assert page.locator(".uplot").count() == charts
    asked: list[str] = []
    page.on("request", lambda request: asked.append(urlsplit(request.url).path))

    page.get_by_role("slider", name="Road speed").focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")

    told = first["at"][17]
    assert told["verdict"] != first["at"][14]["verdict"]
    assert page.evaluate(SHOWN, 0) == [told["verdict"], told["why"]]
    assert page.locator("output").inner_text() == "145 km/h"
    assert page.url == f"{home}/campaigns/3?speed=145"
    assert mark.get_attribute("d") != before
    said = page.locator("#said", has_text="At 145 km/h")
    said.wait_for(state="attached")
    assert HOSTILE in (said.text_content() or "")
    assert (watched.complaints, watched.outside) == ([], [])
    assert set(asked) <= {"/static/icon.svg"}  # which browsers fetch for a new address


def test_without_scripts_a_form_asks_the_server(
    docs: Documents, opened: tuple[str, dict[str, str], Browser]
) -> None:
    """The same verdict and sentence, and drawings for every chart."""
    home, _, browser = opened
    page = new_page(browser, Watched(home), java_script_enabled=False)
    page.goto(f"{home}/campaigns/3")
    page.get_by_label("Road speed, km/h").fill("145")
    page.get_by_role("button", name="Show").click()
    told = docs.board["configurations"][0]["at"][17]

    assert page.url == f"{home}/campaigns/3?speed=145"
    group = page.locator(f"[data-verdict={told['verdict']}]")
    assert told["why"] in group.inner_text()
    assert page.locator("figure.chart svg[role=img]").count() > 4
    assert page.get_by_role("slider").count() == 0


def test_a_sheet_is_checked_as_it_is_typed(opened: tuple[str, dict[str, str], Browser]) -> None:
    """Faults are listed with their keys, as text."""
    home, _, browser = opened
    watched = Watched(home)
    page = new_page(browser, watched)
    page.goto(f"{home}/campaigns/3/upload")
    page.get_by_label("Run sheet (TOML)").fill("format = 1")
    says = page.locator("#sheet-says")
    says.get_by_text("1 fault:").wait_for()

    assert "run.number: is <b>missing</b>" in says.inner_text()
    assert says.get_attribute("aria-live") == "polite"
    assert watched.complaints == []


def test_progress_is_followed(opened: tuple[str, dict[str, str], Browser]) -> None:
    """As the events tell it."""
    home, _, browser = opened
    watched = Watched(home)
    page = new_page(browser, watched)
    page.goto(f"{home}/jobs/7")
    page.get_by_text("run 3 of 8").wait_for()

    assert page.locator("progress").evaluate("bar => bar.value") == 0.375
    assert watched.complaints == []


def test_progress_that_cannot_be_followed_is_asked_for_again(
    opened: tuple[str, dict[str, str], Browser],
) -> None:
    """Browsers take any answer but a stream for final: the page would stand still for good."""
    home, _, browser = opened
    page = browser.new_page()
    page.clock.install()
    page.route("**/events", lambda route: route.fulfill(status=503))
    with page.expect_response("**/events"):
        page.goto(f"{home}/jobs/7")
    with page.expect_response("**/jobs/7"):
        for _ in range(5):
            page.clock.run_for(2000)


def test_every_page_is_quiet_accessible_and_no_wider_than_a_phone(
    opened: tuple[str, dict[str, str], Browser],
) -> None:
    """In the dark; the scan's own script needs the policy bypassed, so pages are opened without it
    here and with it in the tests above."""
    home, every, browser = opened
    quiet = Watched(home)
    plain = new_page(browser, quiet, viewport=PHONE, color_scheme="dark")
    scanned = browser.new_context(viewport=PHONE, color_scheme="dark", bypass_csp=True).new_page()
    wide, grave = [], {}
    for address in every:
        plain.goto(home + address)
        if plain.evaluate("document.documentElement.scrollWidth") > PHONE["width"]:
            wide.append(address)
        scanned.goto(home + address)
        if found := grave_findings(scanned):
            grave[address] = found

    assert (wide, grave) == ([], {})
    assert (quiet.complaints, quiet.outside) == ([], [])
