"""The report's page beyond its figures: summary, contents, sorting, sections, provenance."""

from __future__ import annotations

import hashlib
import re
from base64 import b64encode
from dataclasses import replace
from html import escape, unescape
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from buffet.comparing import Comparison
from buffet.rating.rate import Rating
from buffet.report import report_html
from buffet.report.provenance import file_rows, settings_rows
from buffet.report.rms_figures import rms_figure
from buffet.report.strip_figure import stretches
from buffet.report.sweep_section import ONE_SPEED, sweep_section
from buffet.report.switching_section import states_rows, step_rows
from buffet.report.tap_section import NO_TAPS, configuration_taps, tap_section
from buffet.report.wording import MARKS, sort_value
from buffet.switching.force_states import ConfigurationStates, ForceStates
from ingest import open_campaign
from tests.buffet.report_campaign import HOSTILE_TITLE, comparison

LONG_FIGURES = ("spectrum_figures", "crossing_figures", "speed_figures")


@pytest.fixture(scope="module")
def compared() -> Comparison:
    """The campaign's comparison."""
    return comparison()


@pytest.fixture(scope="module")
def rating(compared: Comparison) -> Rating:
    """Its rating."""
    return compared.rating


@pytest.fixture(scope="module")
def html(compared: Comparison) -> str:
    """The page without the figures that take longest."""
    with pytest.MonkeyPatch.context() as patch:
        for name in LONG_FIGURES:
            patch.setattr(f"buffet.report.page.{name}", lambda rating: [])
        return report_html(compared, compared.rating, [], {"--speed": "130 km/h"})


def test_summary_comes_first(html: str, rating: Rating) -> None:
    """One sentence with every configuration, the recommendation and one picture."""
    summary = html[html.index('id="summary"') : html.index('id="contents"')]

    (sentence,) = re.findall(r'<p class="lead">(.*?)</p>', summary)
    for one in rating.configurations:
        assert one.name in unescape(sentence)
    assert summary.count("<svg") == 2  # for wide screens and for narrow ones
    assert 'class="recommend"' in summary


def test_contents_name_every_section(html: str) -> None:
    """Links in the order of the headings, with their words."""
    links = re.findall(r'<li><a href="#([^"]+)">(.*?)</a>', html)
    headings = re.findall(r'<h2 id="([^"]+)">(.*?)</h2>', html)

    assert links == [pair for pair in headings if pair[0] not in ("summary", "contents")]


def test_policy_lets_only_the_pages_own_script_run(html: str) -> None:
    """One script, known by its SHA-256; all else from nowhere."""
    (script,) = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', html)
    digest = b64encode(hashlib.sha256(script.encode()).digest()).decode()

    assert f"script-src 'sha256-{digest}'" in unescape(policy)
    assert "default-src 'none'" in unescape(policy)


def test_hostile_title_is_text(html: str) -> None:
    """In the head, in the heading."""
    assert html.count("<script>") == 1
    assert html.count(escape(HOSTILE_TITLE).replace("&#x27;", "&#39;").replace("&quot;", "&#34;"))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.879 (0.674 to 1.15)", 0.879),
        ("−0.0134 (−0.0140 to −0.0119)", -0.0134),
        ("+5.0 (+4.6 to +5.5)", 5.0),
        ("at least 0.5 (0.4 to …)", 0.5),
        ("17 %", 17.0),
        ("1e-06", 1e-6),
        ("5.0 Hz; nearest: front wheel hop, 11.7 Hz", 5.0),
    ],
)
def test_tables_sort_by_the_number_that_is_shown(text: str, value: float) -> None:
    """The first one."""
    assert float(sort_value(text)) == value


@pytest.mark.parametrize("text", ["–", "none up to 250 km/h", "… (1 to 2)", "tap 3", "014b"])
def test_what_begins_with_no_number_sorts_as_text(text: str) -> None:
    """No value stands beside it."""
    assert sort_value(text) == ""


def test_open_ends_sort_beside_their_bound() -> None:
    """ "< 1 %" below "1 %", "> 99 %" above "99 %"."""
    order = ["< 1 %", "1 %", "99 %", "> 99 %"]
    values = [float(sort_value(text)) for text in order]
    assert values == sorted(values)
    assert len(set(values)) == 4


def test_verdicts_sort_worst_first() -> None:
    """In the order in which a configuration takes its worst criterion."""
    ranked = sorted(MARKS.values(), key=lambda mark: mark.rank)
    assert [mark.word for mark in ranked] == ["likely", "possible", "undetermined", "unlikely"]


def test_strips_cover_all_road_speeds(rating: Rating) -> None:
    """Without a gap, neighbours differ, and at the rated speed stands the verdict."""
    for one in rating.configurations:
        told = stretches(one, rating)
        assert told[0].low_m_s == pytest.approx(30 / 3.6)
        assert told[-1].high_m_s == pytest.approx(rating.up_to_m_s)
        for first, second in pairwise(told):
            assert first.high_m_s == second.low_m_s
            assert first.verdict != second.verdict
        (here,) = [s.verdict for s in told if s.low_m_s < rating.speed_m_s <= s.high_m_s]
        assert here == one.verdict


def test_states_are_told_for_the_road(rating: Rating) -> None:
    """20 changes in 60 s at 40 m/s and scale 0.30: at 130 km/h one in 60/20 · 40/36.1 / 0.30 s."""
    one = next(c for c in rating.configurations if c.name == "shallow tail")
    step = ForceStates(one.curves.runs[0], 20, 60.0, np.array([0.01, -0.02, 0.0]), np.full(3, 1e-6))
    curves = replace(one.curves, states=ConfigurationStates((step,), None))
    told = replace(rating, configurations=(replace(one, curves=curves),))

    (row,), (run,) = states_rows(told), step_rows(told)

    assert (row.runs, row.changes, row.says) == ("1 of 1", "20", "two states by turns")
    assert float(row.between_s) == pytest.approx(60 / 20 * 40 / (130 / 3.6) / 0.30, abs=0.5)
    assert run.steps[:2] == ("+0.0100 (+0.0080 to +0.0120)", "−0.0200 (−0.0220 to −0.0180)")


def test_taps_are_averaged_over_the_runs(rating: Rating) -> None:
    """Means of means, and roots of mean squares, of the runs' own values."""
    taps = configuration_taps(rating, "shallow tail")
    assert taps is not None
    runs = [r for r in rating.results if r.analysis.run.configuration == "shallow tail"]
    own = [q for r in runs for q in r.quantities if q.quantity.name == taps.names[0]]

    assert taps.mean[0] == pytest.approx(sum(q.mean.value for q in own) / len(own))
    squares = [q.rms.value**2 for q in own if q.rms is not None]
    assert taps.rms[0] == pytest.approx(np.sqrt(np.mean(squares)))


def test_sections_without_data_say_so_in_one_line(rating: Rating) -> None:
    """No taps; one wind speed."""
    bare = tuple(
        replace(r, quantities=tuple(q for q in r.quantities if q.quantity.measures != "pressure"))
        for r in rating.results
    )
    assert tap_section(replace(rating, results=bare)).why_none == NO_TAPS
    assert sweep_section(rating).why_none == ONE_SPEED


def test_bars_that_differ_bear_an_asterisk() -> None:
    """One for each component that differs."""
    from buffet.interval import Interval
    from buffet.report.look import drawing, styles

    row = {"a": Interval(0.03, 0.02, 0.04), "b": Interval(0.01, 0.009, 0.011)}
    with drawing():
        figure = rms_figure({"lift": row, "drag": row}, styles(["a", "b"]), {"b": {"lift"}})
    marks = [text for text in figure.axes[0].texts if text.get_text() == "*"]
    assert [mark.xy[1] for mark in marks] == [0.011]  # type: ignore[attr-defined]


def test_files_and_settings_stand_as_used(rating: Rating, tmp_path: Path) -> None:
    """Files named on the command line are hashed; the folder of one who ran it is not told."""
    road = tmp_path / "road.csv"
    road.write_bytes(b"abc")
    options = {"--road": str(road), "--without-lines": ""}

    rows = {row.name: row for row in file_rows(rating, options)}
    settings = dict(settings_rows(None, rating, options))

    # FIPS 180-2, appendix B.1
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert rows["road.csv"].sha256 == digest
    assert settings["Options given"] == "--road road.csv, --without-lines"
    assert settings["Road speed rated"] == "130 km/h"


def test_every_sheet_of_a_campaign_is_hashed() -> None:
    """Campaign, vehicle and run sheets, with the digests of their bytes."""
    folder = Path(__file__).parents[2] / "demo_runs"
    files = {file.name: file.sha256 for file in open_campaign(folder).files}

    assert files.keys() == {"campaign.toml", "vehicle.toml"} | {
        f"runs/{path.name}" for path in (folder / "runs").glob("*.toml")
    }
    for name, digest in files.items():
        assert digest == hashlib.sha256((folder / name).read_bytes()).hexdigest()
