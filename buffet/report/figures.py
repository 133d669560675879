"""The page's figures, each with its caption and a description for those who cannot see it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from buffet.comparing import Comparison
from buffet.crossings.text import crossing_text, crossings_text, ray_text
from buffet.interval import Interval
from buffet.pairs import SIGNIFICANT
from buffet.rating.criteria import Criterion
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.report.crossing_figure import crossing_figure
from buffet.report.look import Style, inline_svg, styles
from buffet.report.pooling import (
    PooledSpectrum,
    components,
    pooled_rms,
    pooled_spectrum,
    rms_scatter,
)
from buffet.report.rms_figures import comparison_figure, rms_figure
from buffet.report.spectrum_figures import overlay_figure
from buffet.report.speed_figure import decisive_criteria, speed_figure
from buffet.report.wording import km_h, spanned

# The components that tell most about a buffeting rear come first.
FIRST = ("lift", "rear lift", "drag", "side force")


@dataclass(frozen=True)
class PageFigure:
    """One drawing on the page."""

    svg: str
    caption: str


def configuration_styles(rating: Rating) -> dict[str, Style]:
    """One style a configuration for all figures, the baseline in ink."""
    rated = {one.name for one in rating.configurations}
    return styles([name for name in rating.analysis.campaign.configurations if name in rated])


def speed_figures(rating: Rating) -> list[PageFigure]:
    """One figure for each criterion that set a verdict."""
    look = configuration_styles(rating)
    return [_speed_figure(rating, row, look) for row in decisive_criteria(rating)]


def _speed_figure(rating: Rating, row: Criterion, look: dict[str, Style]) -> PageFigure:
    title = f"{row.id} over road speed"
    values = []
    for one in rating.configurations:
        rated = next((c for c in one.criteria if c.criterion.id == row.id), None)
        if rated is not None and rated.metric is not None:
            values.append(f"{one.name} {spanned(rated.metric)}")
    description = (
        f"Possible from {row.possible:g}, likely from {row.likely:g}. "
        f"At {km_h(rating.speed_m_s)} km/h: {'; '.join(values) or 'not measured'}. "
        f"Onset: {'; '.join(f'{c.name}: {c.onset_why}' for c in rating.configurations)}."
    )
    caption = (
        f"{_sentence(row.motion)}. Band: 95 % interval; dotted without band: road speeds that the "
        "measurement does not cover, or too short a record; filled mark with bar on the lower "
        "limit: onset speed with its 95 % interval, drawn at the criterion that comes first."
    )
    svg = inline_svg(
        lambda: speed_figure(rating, [row], look), f"speed-{_key(rating, row)}", title, description
    )
    return PageFigure(svg, caption)


def _key(rating: Rating, row: Criterion) -> int:
    return rating.criteria.rows.index(row)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def crossing_figures(rating: Rating) -> list[PageFigure]:
    """One figure for each configuration with a peak that was followed."""
    return [
        _crossing_figure(rating, one, i)
        for i, one in enumerate(rating.configurations)
        if one.crossings.rays
    ]


def _crossing_figure(rating: Rating, one: ConfigurationRating, position: int) -> PageFigure:
    low, high = (km_h(speed) for speed in one.crossings.searched_m_s)
    peaks = "; ".join(ray_text(ray) for ray in one.crossings.rays)
    met = [f"{ray_text(cross.ray)} {crossing_text(cross)}" for cross in one.crossings.met]
    description = (
        f"Frequency over road speed, {low} to {high} km/h. Peaks: {peaks}. "
        f"{_sentence('; '.join(met) or 'no peak meets a mode of the car')}."
    )
    svg = inline_svg(
        lambda: crossing_figure(rating, [one]),
        f"crossing-{position}",
        f"{one.name}: peaks of the wake and modes of the car over road speed",
        description,
    )
    told = crossings_text(one.crossings, rating.speed_m_s)
    return PageFigure(svg, f"{one.name}. {told}")


def spectrum_figures(rating: Rating) -> list[PageFigure]:
    """One figure for each component that every run has, the most telling first."""
    look = configuration_styles(rating)
    words = components(rating.analysis.runs)
    ordered = sorted(words, key=lambda word: FIRST.index(word) if word in FIRST else len(FIRST))
    found = []
    for position, word in enumerate(ordered):
        spectra = [s for name in look if (s := pooled_spectrum(rating, name, word)) is not None]
        if spectra:
            found.append(_spectrum_figure(rating, word, spectra, look, position))
    return found


def _spectrum_figure(
    rating: Rating,
    word: str,
    spectra: Sequence[PooledSpectrum],
    look: dict[str, Style],
    position: int,
) -> PageFigure:
    sheds = "; ".join(
        f"{one.name}: St {spanned(one.shedding.strouhal, '.3f')}, "
        f"{one.shedding.frequency_hz:.1f} Hz on the road"
        if one.shedding
        else f"{one.name}: no shedding peak"
        for one in rating.configurations
    )
    return PageFigure(
        inline_svg(
            lambda: overlay_figure(rating, word, spectra, look),
            f"spectrum-{position}",
            f"Spectra of the {word} of all configurations",
            f"Over Strouhal number, and on the road at {km_h(rating.speed_m_s)} km/h. "
            f"Shedding frequencies: {sheds}.",
        ),
        _sentence(word),
    )


def rms_bars(rating: Rating) -> dict[str, dict[str, Interval]]:
    """RMS coefficient of each component and configuration."""
    names = configuration_styles(rating)
    bars = {}
    for word in components(rating.analysis.runs):
        spread = rms_scatter(rating, word)
        row = {name: pooled_rms(rating, name, word, spread) for name in names}
        bars[word] = {name: value for name, value in row.items() if value is not None}
    return bars


def rms_page_figure(
    rating: Rating, bars: dict[str, dict[str, Interval]], comparison: Comparison | None = None
) -> PageFigure | None:
    """Bars of all components and configurations; None where no component was measured.

    With a comparison, what differs from the baseline is marked.
    """
    if not bars:
        return None
    differs = {} if comparison is None else _differing(comparison)
    values = "; ".join(
        f"{word}: "
        + ", ".join(
            f"{name} {spanned(value)}{' *' if word in differs.get(name, ()) else ''}"
            for name, value in row.items()
        )
        for word, row in bars.items()
    )
    svg = inline_svg(
        lambda: rms_figure(bars, configuration_styles(rating), differs),
        "rms",
        "RMS coefficients by component and configuration",
        f"{values}.",
    )
    caption = "Bars: pooled over the runs; lines: 95 % intervals."
    if comparison is not None:
        caption += (
            f" *: differs from {comparison.baseline.name} (p < {SIGNIFICANT:g}, corrected for the "
            "number of add-ons, at the operating points that both share); without: no difference "
            "is shown."
        )
    return PageFigure(svg, caption)


def _differing(comparison: Comparison) -> dict[str, frozenset[str]]:
    """Components of each add-on whose RMS differs from the baseline's beyond chance."""
    return {
        one.name: frozenset(w for w, p in one.p_value.items() if p is not None and p < SIGNIFICANT)
        for one in comparison.add_ons
    }


def comparison_page_figure(comparison: Comparison) -> PageFigure | None:
    """Add-ons against the baseline; None where there is no add-on."""
    if not comparison.add_ons:
        return None
    values = "; ".join(
        f"{one.name}: "
        + ", ".join(f"{word} {spanned(ratio, '.2f')}" for word, ratio in one.rms_ratio.items())
        for one in comparison.add_ons
    )
    svg = inline_svg(
        lambda: comparison_figure(comparison, configuration_styles(comparison.rating)),
        "comparison",
        f"Add-ons against {comparison.baseline.name}",
        f"RMS over the baseline's: {values}.",
    )
    return PageFigure(
        svg,
        "Points with 95 % intervals; on the upright line an add-on changes nothing.",
    )
