"""The report as PDF, and as a browser shows it: whole, quiet, the same bytes."""

from __future__ import annotations

import logging
import os
import pickle
import re
import shutil
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from buffet.errors import OutputError
from buffet.report.pdf import require_pdf, write_pdf
from tests.buffet.report_campaign import HOSTILE_TITLE, comparison

ROOT = Path(__file__).parents[2]
CHROMIUM = shutil.which("chromium")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
# Renders a pickled comparison without the figures that take longest.
RENDER = """
import pickle, sys
from pathlib import Path
from buffet.report import page
from buffet.report.pdf import write_pdf
for name in ("spectrum_figures", "crossing_figures", "speed_figures"):
    setattr(page, name, lambda rating: [])
page.rms_page_figure = page.comparison_page_figure = lambda *told: None
source, html, pdf = map(Path, sys.argv[1:])
compared = pickle.loads(source.read_bytes())
text = page.report_html(compared, compared.rating, compared.rating.findings)
html.write_text(text, encoding="utf-8")
write_pdf(text, pdf)
"""


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Path, Path]]:
    """Page and PDF, twice: by two processes with hash seeds of their own."""
    folder = tmp_path_factory.mktemp("rendered")
    (folder / "compared").write_bytes(pickle.dumps(comparison()))
    found, running = [], []
    for seed in ("1", "2"):
        files = (folder / f"{seed}.html", folder / f"{seed}.pdf")
        command = [sys.executable, "-c", RENDER, str(folder / "compared"), *map(str, files)]
        environment = os.environ | {"PYTHONHASHSEED": seed}
        running.append(subprocess.Popen(command, cwd=ROOT, env=environment))
        found.append(files)
    assert [process.wait() for process in running] == [0, 0]
    return found


@pytest.mark.parametrize("which", [0, 1], ids=["html", "pdf"])
def test_two_processes_write_the_same_bytes(rendered: list[tuple[Path, Path]], which: int) -> None:
    """At another time, with another hash seed."""
    first, second = (files[which].read_bytes() for files in rendered)
    assert first == second


def test_pdf_says_what_it_is(rendered: list[tuple[Path, Path]]) -> None:
    """Title, creator and language; tagged, so that figures keep their text alternatives."""
    data = rendered[0][1].read_bytes()
    streams = re.findall(rb"/FlateDecode.*?stream\n(.*?)\nendstream", data, re.DOTALL)
    inside = b"".join(map(zlib.decompress, streams))

    assert data.startswith(b"%PDF")
    assert b"/Lang (en)" in inside
    assert b"/MarkInfo" in inside
    assert b"buffeting" in inside
    title = HOSTILE_TITLE.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    assert f">{title}: buffeting at 130 km/h<".encode() in inside


def test_no_style_is_unknown_to_the_one_who_sets_it(
    rendered: list[tuple[Path, Path]], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """WeasyPrint logs what it ignores: of the page's styles and of a drawing, nothing."""
    html = rendered[0][0].read_text(encoding="utf-8")
    head, drawing = (
        re.search(r"<head>.*?</head>", html, re.DOTALL),
        re.search(r"<figure.*?</figure>", html, re.DOTALL),
    )
    assert head is not None
    assert drawing is not None
    with caplog.at_level(logging.WARNING):
        page = f'<html lang="en">{head.group()}<body>{drawing.group()}</body></html>'
        write_pdf(page, tmp_path / "page.pdf")
    assert [record.getMessage() for record in caplog.records] == []


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (ImportError("No module named 'weasyprint'"), r"pip install 'buffeting\[pdf\]'"),
        (OSError("cannot load library 'libpango-1.0-0'\nmore"), "apt-get install libpango-1.0-0"),
    ],
)
def test_what_is_missing_is_named(
    error: Exception, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The extra, or the libraries of the system."""

    class Failing:
        def find_spec(self, name: str, *_: Any) -> None:
            if name == "weasyprint":
                raise error

    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Failing(), *sys.meta_path])
    with pytest.raises(OutputError, match=told):
        require_pdf()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's Chromium without a screen."""
    from playwright.sync_api import sync_playwright

    flags = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield opened
        opened.close()


def opened_page(browser: Any, path: Path, width: int, **more: Any) -> tuple[Any, list[str]]:
    """The report from the file system, and what it asked for or complained of."""
    context = browser.new_context(viewport={"width": width, "height": 800}, **more)
    page, told = context.new_page(), []
    page.on("request", lambda request: told.append(request.url))
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.goto(path.as_uri())
    return page, told


@needs_chromium
@pytest.mark.parametrize("width", [360, 1280])
def test_page_opens_from_the_file_system(
    browser: Any, rendered: list[tuple[Path, Path]], width: int
) -> None:
    """Nothing else is loaded, nothing complained of, and the page does not scroll sideways."""
    path = rendered[0][0]
    page, told = opened_page(browser, path, width)

    assert told == [path.as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") == width
    shown = [page.is_visible(f".{word}-screen svg") for word in ("wide", "narrow")]
    assert shown == [width > 640, width < 640]
    assert page.title() == f"{HOSTILE_TITLE}: buffeting at 130 km/h"


ONSETS = """table => Array.from(table.tBodies[0].rows).map(row => row.cells[6].textContent)"""


@needs_chromium
@pytest.mark.parametrize("by_key", [False, True], ids=["mouse", "keyboard"])
def test_tables_sort(browser: Any, rendered: list[tuple[Path, Path]], by_key: bool) -> None:
    """Rising, falling; what holds no number comes last either way."""
    page, _ = opened_page(browser, rendered[0][0], 1280)
    table = page.locator("table.sortable").first
    head = table.locator("thead th").nth(6)
    before = table.evaluate(ONSETS)

    def press() -> list[str]:
        button = head.locator("button")
        button.press("Enter") if by_key else button.click()
        told: list[str] = table.evaluate(ONSETS)
        return told

    rising, rises = press(), head.get_attribute("aria-sort")
    falling, falls = press(), head.get_attribute("aria-sort")

    assert (rises, falls) == ("ascending", "descending")
    assert sorted(rising) == sorted(before)
    numbers = [float(text.split()[0]) for text in rising if text != "–"]
    assert numbers == sorted(numbers)
    assert rising[-1] == falling[-1] == "–"
    last = [text for text in rising if text != "–"][-1]
    assert falling[0] == last


@needs_chromium
def test_page_works_without_scripts(browser: Any, rendered: list[tuple[Path, Path]]) -> None:
    """Tables stand as they are, with no button that does nothing."""
    page, told = opened_page(browser, rendered[0][0], 1280, java_script_enabled=False)

    assert told == [rendered[0][0].as_uri()]
    assert page.locator("th button").count() == 0
    assert page.locator("table.sortable tbody tr").count() > 50
