"""The page's section on the speed sweep: what scales with the wind, what still changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from buffet.peak_search import shows_shedding
from buffet.phrases import listed
from buffet.rating.rate import Rating
from buffet.report.figures import PageFigure
from buffet.report.look import inline_svg
from buffet.report.sweep_figure import label, peaks_figure, trends_figure
from buffet.report.wording import NONE, p_value, spanned
from buffet.run_spectra import run_result
from buffet.spectral.tracks import FIXED
from buffet.sweep.sweep import ConfigurationSweep, Sweep, one_speed_alone, sweep_of
from buffet.sweep.tracks import Track
from buffet.sweep.trend import SETTLED, SIGNIFICANCE, Trend

PANELS = 4  # configurations a figure, so that each fits a printed page
ONE_SPEED = (
    "Every configuration was run at one wind speed: whether its peaks scale with the wind, as a "
    "wake's do and a rig's do not, is not known."
)


class TrackRow(NamedTuple):
    """One peak of a configuration over its wind speeds."""

    configuration: str
    kind: str
    strouhal: str
    frequency: str
    range_hz: str
    seen_in: str
    source: str


class TrendRow(NamedTuple):
    """One RMS coefficient of a configuration over its wind speeds."""

    configuration: str
    quantity: str
    up_to: str
    per_doubling: str
    at_top: str
    p: str
    says: str


@dataclass(frozen=True)
class SweepSection:
    """Figures and rows; none of them, and the reason, where nothing was swept."""

    why_none: str
    figures: tuple[PageFigure, ...] = ()
    tracks: tuple[TrackRow, ...] = ()
    trends: tuple[TrendRow, ...] = ()
    meaning: str = ""


def sweep_section(rating: Rating) -> SweepSection:
    """Of the quantities whose peaks the rating looked for."""
    if len({round(run.flow.speed_m_s) for run in rating.analysis.runs if run.flow}) < 2:
        return SweepSection(ONE_SPEED)
    swept = rated_sweep(rating)
    if one_speed_alone(swept.configurations):
        return SweepSection(ONE_SPEED)
    return SweepSection(
        "",
        tuple(_figures(swept)),
        tuple(_track_row(one, t) for one in swept.configurations for t in one.tracks),
        tuple(_trend_row(one, t) for one in swept.configurations for t in one.trends),
        f"Change per doubling of the Reynolds number, over all speeds and between the two highest. "
        f"Still changing: in either, at p < {SIGNIFICANCE:g} over all rows together (Holm), "
        f"however little; settled: otherwise, if over all speeds the whole interval lies within "
        f"±{100 * SETTLED:.0f} % and that at top holds 0; no change shown: neither.",
    )


def rated_sweep(rating: Rating) -> Sweep:
    """The rating's own results over wind speed; those of the runs without wind are added."""
    still = [run_result(run, shows_shedding) for run in rating.analysis.wind_off]
    return sweep_of(rating.analysis, (*still, *rating.results), shows_shedding)


def _figures(swept: Sweep) -> list[PageFigure]:
    seen = [one for one in swept.configurations if one.tracks or one.undecided]
    found = [
        _peaks(seen[i : i + PANELS], f"sweep-peaks-{i // PANELS}")
        for i in range(0, len(seen), PANELS)
    ]
    return [*found, _trends(swept)] if any(one.trends for one in swept.configurations) else found


def _peaks(configurations: list[ConfigurationSweep], key: str) -> PageFigure:
    told = "; ".join(
        f"{label(one)}: " + (", ".join(map(_track_text, one.tracks)) or "none followed")
        for one in configurations
    )
    svg = inline_svg(
        lambda: peaks_figure(configurations),
        key,
        "Frequencies of peaks over wind speed",
        f"{told}.",
    )
    return PageFigure(
        svg,
        "Circles: broad peaks, diamonds: lines, crosses: peaks of undecided class. Through each: "
        "what it keeps to (solid), Strouhal number or frequency, and what it does not (dashed).",
    )


def _track_text(track: Track) -> str:
    kept = track.frequency_hz if track.name == FIXED else track.strouhal
    if kept is None:
        return "a peak that scales"
    return f"{spanned(kept)} Hz, fixed" if track.name == FIXED else f"St {spanned(kept, '.3f')}"


def _trends(swept: Sweep) -> PageFigure:
    told = "; ".join(
        f"{label(one)}: " + ", ".join(f"{trend.quantity} {trend.statement}" for trend in one.trends)
        for one in swept.configurations
    )
    svg = inline_svg(
        lambda: trends_figure(swept),
        "sweep-trends",
        "RMS coefficients over Reynolds number",
        f"{told}.",
    )
    return PageFigure(
        svg,
        "RMS up to one Strouhal number at all speeds, without lines of known source and fixed "
        "peaks: every run with its 95 % interval, line through the means of each speed.",
    )


def _track_row(one: ConfigurationSweep, track: Track) -> TrackRow:
    hz = [seen.peak.frequency_hz.value for seen in track.clearest]
    is_fixed = track.name == FIXED
    return TrackRow(
        label(one),
        f"{'line' if track.narrow else 'broad'}, {'fixed' if is_fixed else 'scales'}",
        NONE if is_fixed else spanned(track.strouhal, ".3f"),
        spanned(track.frequency_hz) if is_fixed else NONE,
        f"{min(hz):.3g} to {max(hz):.3g}",
        listed(list(track.quantities)),
        track.source or NONE,
    )


def _trend_row(one: ConfigurationSweep, trend: Trend) -> TrendRow:
    return TrendRow(
        label(one),
        trend.quantity,
        NONE if trend.strouhal is None else f"{trend.strouhal:.3g}",
        spanned(trend.per_doubling, "+.1f", 100),
        spanned(trend.per_doubling_at_top, "+.1f", 100),
        p_value(trend.p_value),
        trend.statement,
    )
