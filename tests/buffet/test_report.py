"""The report's page and figures: all there, nothing broken by names, the same bytes twice."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import trapezoid

from buffet.analysis import Failure
from buffet.comparing import Comparison
from buffet.errors import OutputError
from buffet.interval import Interval
from buffet.rating.rate import Rating
from buffet.report import draw_comparison, draw_figures, draw_rating, report_html
from buffet.report.look import drawing, new_figure, spread, styles
from buffet.report.pooling import pooled_spectrum
from buffet.report.rms_figures import rms_figure
from buffet.report.spectrum_figures import MOST_PANELS, run_figure
from buffet.report.speed_figure import decisive_criteria, speed_figure
from buffet.report.tables import cost_rows
from buffet.report.trade_section import trade_section
from ingest import Finding
from tests.buffet.report_campaign import HOSTILE, SPEED_M_S, comparison

VOID = {"meta", "br"}
CLIPPED = Finding("warning", "clipping", "002", "lift", "3 samples clipped", "Lower the gain.")
SPIKY = Finding("error", "spikes", "003", None, "4 spikes <above> 9 sigma", "Check the cable.")


class Page(HTMLParser):
    """Checks that tags nest, and keeps what the tests ask for."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.references: list[str] = []
        self.drawings: list[dict[str, str | None]] = []
        self.tags: set[str] = set()
        self.text: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        values = dict(attrs)
        if values.get("id"):
            self.ids.append(str(values["id"]))
        for key in ("href", "src", "aria-labelledby"):
            self.references += str(values.get(key) or "").split()
        if tag == "svg":
            self.drawings.append(values)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


@pytest.fixture(scope="module")
def compared() -> Comparison:
    """The campaign's comparison."""
    return comparison()


@pytest.fixture(scope="module")
def html(compared: Comparison) -> str:
    """The page with two findings."""
    return report_html(compared, compared.rating, [CLIPPED, SPIKY])


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    """The page, parsed."""
    return Page(html)


def test_page_is_well_formed(page: Page) -> None:
    """Every element is closed, in order, and no id stands twice."""
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))


def test_every_reference_stays_inside_the_page(html: str, page: Page) -> None:
    """No address and no file: links and labels point to ids of the page."""
    assert not page.tags & {"link", "iframe", "img", "object"}
    assert not re.search(r"https?:|//|@import|javascript", html)
    targets = {reference.removeprefix("#") for reference in page.references}
    assert targets <= set(page.ids)
    urls = {url.removeprefix("#") for url in re.findall(r"url\(([^)]*)\)", html)}
    assert urls <= set(page.ids)


def test_every_drawing_has_a_text_alternative(html: str, page: Page) -> None:
    """Each <svg> has the role of an image, a title and a description that are not empty."""
    assert len(page.drawings) >= 8
    assert all(values["role"] == "img" for values in page.drawings)
    for values in page.drawings:
        for label in str(values["aria-labelledby"]).split():
            found = re.search(rf'id="{label}">([^<]+)<', html)
            assert found is not None
            assert len(found.group(1)) > 5


def test_page_names_every_configuration_and_verdict(compared: Comparison, page: Page) -> None:
    """Each configuration stands with the word of its verdict and its sentence."""
    for rated in compared.rating.configurations:
        assert rated.name in page.words
        assert rated.why in page.words
        assert rated.verdict in page.words
    assert compared.recommendation.why[1:] in page.words


def test_page_weighs_what_is_felt_against_its_cost(compared: Comparison, page: Page) -> None:
    """Every configuration with its chance to be felt least, who beats it, and all doubts."""
    found = trade_section(compared)
    assert [row.name for row in found.rows] == [one.name for one in compared.trade_offs]
    for row in found.rows:
        assert f"{row.felt} {row.p_best} {row.drag} {row.rear_lift} {row.beaten_by}" in page.words
    assert {row.tap for row in found.taps} == {"tailgate left", "tailgate right"}
    assert "trade" in page.ids
    doubts = compared.recommendation.doubts
    for doubt in doubts:
        assert doubt.text in page.words
    if doubts:
        assert f"To settle it first: {doubts[0].settled_by}" in page.words


def test_page_carries_findings_worst_first(page: Page) -> None:
    """Errors come before warnings, with place, message and advice."""
    assert page.words.index("spikes") < page.words.index("clipping")
    assert "run 003: 4 spikes <above> 9 sigma" in page.words
    assert "run 002, lift: 3 samples clipped" in page.words
    assert "Lower the gain." in page.words


@pytest.mark.parametrize(
    "words",
    [
        "decision support from a scaled test",
        "scale, Reynolds number, moving ground and gusts differ from the road",
        "buffeting on public roads",
        "licensed engineers and follow local rules",
        "held rigid",
        "does not judge stability",
        "Still air is assumed",
        "on a rougher one less is felt",
    ],
)
def test_page_carries_the_cautions(page: Page, words: str) -> None:
    """What a client must not read into the verdict is said."""
    assert words in page.words


def test_page_carries_sources_and_provenance(compared: Comparison, html: str, page: Page) -> None:
    """Criteria with source, the car with source, each file with its whole SHA-256."""
    rating = compared.rating
    for row in rating.criteria.rows:
        assert row.source in page.words
    assert rating.vehicle.source in page.words
    for run in rating.analysis.runs:
        assert run.provenance.source in page.words
        assert run.provenance.sha256 in page.words
    for file in rating.analysis.campaign.files:
        assert f"<code>{file.name}</code>" in html
        assert file.sha256 in page.words


def test_hostile_name_is_text_everywhere(html: str, page: Page) -> None:
    """Markup in a configuration's name is shown, not obeyed."""
    assert "<b>" not in html
    assert escape(HOSTILE) in html
    assert page.words.count(HOSTILE) > 5


def test_dollar_signs_are_drawn_as_they_are(compared: Comparison) -> None:
    """A name with dollar signs is no formula: the figure holds a text with both of them."""
    from matplotlib.text import Text

    rating = compared.rating
    names = [configuration.name for configuration in rating.configurations]
    with drawing():
        figure = speed_figure(rating, decisive_criteria(rating), styles(names))
        figure.canvas.draw()
        texts = [t for t in figure.findobj(Text) if isinstance(t, Text)]
    shown = [text for text in texts if text.get_text() == HOSTILE]
    assert shown
    assert not any(text.get_parse_math() for text in shown)


def test_same_input_gives_the_same_bytes(compared: Comparison, html: str) -> None:
    """No date, no random id."""
    assert report_html(compared, compared.rating, [CLIPPED, SPIKY]) == html


@pytest.fixture(scope="module")
def poor_page(compared: Comparison) -> Page:
    """A campaign without baseline of which a run could not be read; its spectra are not drawn."""
    rating = compared.rating
    failed = replace(rating.analysis, failed=(Failure("004", "004.csv: row 7 is cut short"),))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("buffet.report.page.spectrum_figures", lambda rating: [])
        return Page(report_html(None, replace(rating, analysis=failed), []))


def test_page_without_baseline_compares_nothing(poor_page: Page) -> None:
    """Without a comparison the verdicts stand alone and the page says why."""
    assert "states no baseline" in poor_page.words
    assert "What it costs" not in poor_page.words
    assert "The checks found nothing to remark" in poor_page.words


def test_unread_runs_are_announced_at_the_top(poor_page: Page) -> None:
    """A recording that failed stands above the verdicts with its error."""
    words = poor_page.words
    assert "1 run could not be read" in words
    assert words.index("004.csv: row 7 is cut short") < words.index("In short")


def test_missing_values_leave_a_dash_with_the_reason(compared: Comparison) -> None:
    """An add-on whose top speed is unknown says so in its row."""
    why = "the car's [road_load] power is not stated"
    missing = {"top_speed_change_percent": why, "delta_front_lift": why}
    bare = replace(
        compared.add_ons[0], top_speed_change_percent=None, delta_front_lift=None, missing=missing
    )
    row = cost_rows(replace(compared, add_ons=(bare,)))[0]
    assert (row.top_speed, row.front_lift, row.missing) == ("–", "–", why)


def test_demo_page_stays_small(html: str) -> None:
    """Figures hold no more points than a plot shows."""
    assert len(html.encode()) < 3_000_000


MAGIC = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}


@pytest.mark.parametrize("suffix", MAGIC)
def test_figures_as_files_are_what_their_suffix_says(
    compared: Comparison, tmp_path: Path, suffix: str
) -> None:
    """PNG, SVG and PDF by suffix, the same bytes twice."""
    for figure in ("changes", "trade"):
        paths = [tmp_path / f"{figure}{i}{suffix}" for i in range(2)]
        for path in paths:
            draw_comparison(compared, (figure,), path)
        first, second = (path.read_bytes() for path in paths)
        assert first.startswith(MAGIC[suffix])
        assert first == second


def test_speed_curves_as_a_file(compared: Comparison, tmp_path: Path) -> None:
    """The road-speed figure is written too."""
    draw_rating(compared.rating, ("speed",), tmp_path / "speeds.png")
    assert (tmp_path / "speeds.png").stat().st_size > 10_000


def test_run_spectra_mark_each_peak(compared: Comparison, tmp_path: Path) -> None:
    """The long spoiler's planted shedding at St 0.20 is written beside its peak."""
    from matplotlib.text import Text

    result = next(
        r for r in compared.rating.results if r.analysis.run.configuration == "long spoiler"
    )
    with drawing():
        figure = run_figure([result])
        labels = [str(t.get_text()) for t in figure.findobj(Text) if isinstance(t, Text)]
    strouhal = [float(m.group(1)) for t in labels if (m := re.search(r"Hz, St ([\d.]+)", t))]
    assert any(abs(value - 0.20) < 0.01 for value in strouhal)
    alone = replace(result, quantities=result.quantities[:1])  # drawing takes its time
    draw_figures([lambda: run_figure([alone])], tmp_path / "run.png")
    assert (tmp_path / "run.png").stat().st_size > 10_000


def test_many_spectra_are_cut_with_a_word(compared: Comparison) -> None:
    """A figure that would be metres long says how many spectra it leaves out."""
    from matplotlib.text import Text

    results = compared.rating.results
    in_all = sum(len(result.quantities) for result in results)
    assert in_all > MOST_PANELS
    with drawing():
        figure = run_figure(results)
        texts = " ".join(str(t.get_text()) for t in figure.findobj(Text) if isinstance(t, Text))
    assert f"{in_all - MOST_PANELS} more spectra not drawn" in texts.replace("\n", " ")


@pytest.mark.parametrize("with_noise", [True, False])
def test_the_key_of_run_spectra_fits_and_names_what_is_drawn(
    compared: Comparison, with_noise: bool
) -> None:
    """Inside the page from edge to edge; no dashed line and no marks where none are drawn."""

    results = compared.rating.results
    if not with_noise:
        plain = tuple(replace(q, noise_psd=None, peaks=()) for q in results[0].quantities)
        results = (replace(results[0], quantities=plain),)
    with drawing():
        figure = run_figure(results)
        figure.draw_without_rendering()
        key = figure.supxlabel(figure.get_supxlabel(), fontsize=8)
        box = key.get_window_extent()
    assert 0 <= box.x0 < box.x1 <= figure.bbox.x1
    for words in ("dashed: wind-off noise", "peaks: circle"):
        assert (words in key.get_text().replace("\n", " ")) == with_noise


def test_unknown_suffix_is_refused(compared: Comparison, tmp_path: Path) -> None:
    """The error names what was given and what is possible."""
    with pytest.raises(OutputError, match=r"cannot write \.gif here; choose one of .*\.svg"):
        draw_comparison(compared, ("trade",), tmp_path / "figure.gif")


def test_pooled_spectrum_keeps_the_variance(compared: Comparison) -> None:
    """The drawn lift spectrum's area is the planted lift variance, 0.015², within 10 %."""
    spectrum = pooled_spectrum(compared.rating, "long spoiler", "lift")
    assert spectrum is not None
    area = float(trapezoid(np.nan_to_num(spectrum.psd), spectrum.strouhal))
    assert np.sqrt(area) == pytest.approx(0.015, rel=0.1)
    assert spectrum.strouhal[np.nanargmax(spectrum.psd)] == pytest.approx(0.20, rel=0.05)


def test_rms_bars_have_the_heights_of_their_values() -> None:
    """A bar a value, its height the value."""
    bars = {"lift": {"a": Interval(0.03, 0.02, 0.04), "b": Interval(0.01, None, None)}}
    with drawing():
        axes = rms_figure(bars, styles(["a", "b"])).axes[0]
        heights = [patch.get_height() for patch in axes.patches]  # type: ignore[attr-defined]
    assert heights == [0.03, 0.01]


@pytest.mark.parametrize("count", [1, 5, 12, 40])
def test_names_at_curve_ends_do_not_touch(count: int) -> None:
    """Positions keep their order, a gap and the limits, whatever crowd they come from."""
    rng = np.random.default_rng(count)
    wanted = list(rng.normal(0.5, 0.05, count))
    placed = np.array(spread(wanted, 0.05, 0.0, 1.0))
    order = np.argsort(wanted)
    assert placed.min() >= -1e-9
    assert placed.max() <= 1 + 1e-9
    gap = min(0.05, 1 / max(count - 1, 1))
    assert np.all(np.diff(placed[order]) >= gap - 1e-6)


def test_names_with_room_stay_where_they_are() -> None:
    """Nothing moves without need."""
    assert spread([0.9, 0.1, 0.5], 0.1, 0.0, 1.0) == pytest.approx([0.9, 0.1, 0.5])


def test_styles_differ_without_colour() -> None:
    """The first four configurations have four lines, markers and hatches."""
    four = list(styles(["a", "b", "c", "d"]).values())
    assert len({str(style.line) for style in four}) == 4
    assert len({style.marker for style in four}) == 4
    assert len({style.hatch for style in four}) == 4


def test_drawing_leaves_the_user_settings_alone() -> None:
    """Whoever draws with matplotlib in the same process keeps their own look."""
    import matplotlib

    before = dict(matplotlib.rcParams)
    with drawing():
        new_figure(2.0).subplots().plot([1, 2], [3, 4])
    assert dict(matplotlib.rcParams) == before


def test_rated_speed_is_named(page: Page, compared: Comparison) -> None:
    """The page is about the speed that was asked for."""
    rating: Rating = compared.rating
    assert rating.speed_m_s == SPEED_M_S
    assert "Verdicts at 130 km/h" in page.words
