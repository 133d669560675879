"""Verdicts over road speed, a strip a configuration: the picture of the summary."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from buffet.rating.criteria import WORST_FIRST, Verdict
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.table import verdict_at
from buffet.report.look import INK, inline_svg, new_figure, shortened
from buffet.report.wording import km_h, spanned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Widths for a page and for a phone, on which the letters of the first would be too small.
WIDE_IN, NARROW_IN = 6.7, 3.5
ROW_IN, KEY_IN = 0.62, 1.05
STRIP = 0.38  # of a row's height
ONSET_GAP = 0.13  # of a row, from the strip to the onset's interval below it
LEAST_SPAN_M_S = 10 / 3.6
LETTER_IN = 0.075  # width of a letter inside a strip, about
NAME_LETTERS = {WIDE_IN: 60, NARROW_IN: 34}


class Stretch(NamedTuple):
    """Road speeds with one verdict."""

    verdict: Verdict
    low_m_s: float
    high_m_s: float


class _Fill(NamedTuple):
    """How a verdict fills a strip: told apart by lightness and hatch, not by colour alone."""

    face: str
    hatch: str
    ink: str


_FILLS: dict[Verdict, _Fill] = {
    "likely": _Fill(INK, "", "white"),
    "possible": _Fill("#f3e2b8", "////", INK),
    "unlikely": _Fill("white", "", INK),
    "undetermined": _Fill("#e9ebee", "....", INK),
}


@dataclass(frozen=True)
class StripDrawing:
    """The same strips for a page's and a phone's width."""

    wide: str
    narrow: str
    caption: str
    rows: tuple[tuple[str, str], ...]  # configurations with their verdicts in words


def stretches(one: ConfigurationRating, rating: Rating) -> tuple[Stretch, ...]:
    """Verdicts from the lowest road speed searched to the highest, halfway between the speeds."""
    speeds = one.curves.setting.speeds_m_s
    speeds = speeds[speeds <= max(rating.up_to_m_s, rating.speed_m_s) * (1 + 1e-9)]
    verdicts = [verdict_at(one.curves, i, rating.criteria) for i in range(len(speeds))]
    changes = [i for i in range(1, len(speeds)) if verdicts[i] != verdicts[i - 1]]
    edges = [
        float(speeds[0]),
        *(float(speeds[i - 1 : i + 1].mean()) for i in changes),
        float(speeds[-1]),
    ]
    first = [verdicts[i] for i in (0, *changes)]
    return tuple(Stretch(v, *ends) for v, ends in zip(first, pairwise(edges), strict=True))


def stretches_text(told: tuple[Stretch, ...]) -> str:
    """ "unlikely 30 to 48, likely 48 to 250 km/h"."""
    parts = [f"{one.verdict} {km_h(one.low_m_s)} to {km_h(one.high_m_s)}" for one in told]
    return f"{', '.join(parts)} km/h"


def strip_drawing(rating: Rating) -> StripDrawing:
    """The strips with their text alternative."""
    told = {one.name: stretches(one, rating) for one in rating.configurations}
    title = f"Verdicts over road speed, rated at {km_h(rating.speed_m_s)} km/h"
    description = ". ".join(
        f"{one.name}: {stretches_text(told[one.name])}; onset {_onset_text(one)}"
        for one in rating.configurations
    )
    wide, narrow = (
        inline_svg(
            lambda width=width: strip_figure(rating, told, width),  # type: ignore[misc]
            f"strips-{word}",
            title,
            f"{description}.",
        )
        for word, width in (("wide", WIDE_IN), ("narrow", NARROW_IN))
    )
    caption = (
        "How likely the driver is to feel buffeting at each road speed. Triangle with bar: onset "
        "speed, where a criterion reaches its lower limit, with its 95 % interval (arrow: open "
        "end); upright line: the rated speed."
    )
    rows = tuple((name, stretches_text(own)) for name, own in told.items())
    return StripDrawing(wide, narrow, caption, rows)


def _onset_text(one: ConfigurationRating) -> str:
    if one.onset is None or one.onset.speed_m_s is None:
        return one.onset_why
    return f"{spanned(one.onset.speed_m_s, '.0f', 3.6)} km/h"


def strip_figure(
    rating: Rating, told: dict[str, tuple[Stretch, ...]], width_in: float = WIDE_IN
) -> Figure:
    """One strip a configuration, worst first, with its onset speed and the rated speed."""
    count = len(rating.configurations)
    figure = new_figure(ROW_IN * count + KEY_IN, width_in)
    axes = figure.subplots()
    every = [one for own in told.values() for one in own]
    low, high = min(one.low_m_s for one in every), max(one.high_m_s for one in every)
    high = max(high, low + LEAST_SPAN_M_S)  # one speed alone has no width
    axes.set_xlim(3.6 * low, 3.6 * high)
    axes.set_ylim(count - 0.45, -0.85)
    for row, one in enumerate(rating.configurations):
        _strip(axes, row, told[one.name], width_in / (high - low), rating.speed_m_s)
        _name(axes, row, one, rating, width_in)
        _onset(axes, row, one, 3.6 * high)
    _rated(axes, 3.6 * rating.speed_m_s)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(False)
    axes.set_xlabel("road speed, km/h")
    step = 20 if width_in == WIDE_IN else 50
    axes.set_xticks(np.arange(np.ceil(3.6 * low / step) * step, 3.6 * high + 1, step))
    figure.legend(
        handles=list(_key(told)),
        loc="outside lower center",
        ncols=5 if width_in == WIDE_IN else 2,
        handlelength=2.0,
    )
    return figure


def _strip(
    axes: Axes, row: int, told: tuple[Stretch, ...], in_per_m_s: float, rated_m_s: float
) -> None:
    for one in told:
        fill = _FILLS[one.verdict]
        axes.barh(
            row,
            3.6 * (one.high_m_s - one.low_m_s),
            STRIP,
            3.6 * one.low_m_s,
            color=fill.face,
            hatch=fill.hatch,
            edgecolor=INK,
            linewidth=0.8,
        )
        low, high = _wider_side(one, rated_m_s)
        if in_per_m_s * (high - low) > LETTER_IN * (len(one.verdict) + 1):
            axes.text(
                3.6 * (low + high) / 2,
                row,
                one.verdict,
                color=fill.ink,
                ha="center",
                va="center",
                bbox={"facecolor": fill.face, "edgecolor": "none", "pad": 1.2},
            )


def _wider_side(one: Stretch, rated_m_s: float) -> tuple[float, float]:
    """The part of a stretch that the line of the rated speed leaves for a word."""
    if not one.low_m_s < rated_m_s < one.high_m_s:
        return one.low_m_s, one.high_m_s
    below, above = (one.low_m_s, rated_m_s), (rated_m_s, one.high_m_s)
    return max(below, above, key=lambda ends: ends[1] - ends[0])


def _name(axes: Axes, row: int, one: ConfigurationRating, rating: Rating, width_in: float) -> None:
    baseline = " (baseline)" if one.name == rating.analysis.campaign.baseline else ""
    axes.annotate(
        shortened(one.name, NAME_LETTERS[width_in] - len(baseline)) + baseline,
        (0, row - STRIP / 2),
        (0, 2.5),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        va="bottom",
        weight="bold",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
        zorder=6,
    )


def _onset(axes: Axes, row: int, one: ConfigurationRating, top: float) -> None:
    """A triangle below the strip with its interval; an open end runs to the edge."""
    if one.onset is None or one.onset.speed_m_s is None:
        return
    speed, height = one.onset.speed_m_s, row + STRIP / 2 + ONSET_GAP
    low = axes.get_xlim()[0] if speed.low is None else 3.6 * speed.low
    high = top if speed.high is None else 3.6 * speed.high
    axes.plot([low, high], [height, height], color="white", linewidth=4.5, zorder=6.5)
    axes.plot([low, high], [height, height], color=INK, linewidth=1.6, zorder=7)
    for end, shape, limit in ((low, "<", speed.low), (high, ">", speed.high)):
        axes.plot(end, height, "|" if limit else shape, color=INK, clip_on=False, zorder=7)
    axes.plot(3.6 * speed.value, height, "^", color=INK, mec="white", markersize=8, zorder=8)


def _rated(axes: Axes, rated: float) -> None:
    for width, colour, line in ((2.6, "white", "-"), (1.1, INK, (0, (3, 2)))):
        axes.axvline(rated, color=colour, linewidth=width, linestyle=line, zorder=5)
    near_end = rated > float(np.mean(axes.get_xlim()))
    axes.annotate(
        f"rated: {rated:.0f} km/h",
        (rated, 1),
        (-3 if near_end else 3, -1),
        xycoords=("data", "axes fraction"),
        textcoords="offset points",
        ha="right" if near_end else "left",
        va="top",
        fontsize=7.5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        zorder=9,
    )


def _key(told: dict[str, tuple[Stretch, ...]]) -> Iterator[Any]:
    """Patches of the verdicts that are drawn, and the onset's mark."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    drawn = {one.verdict for own in told.values() for one in own}
    for verdict in WORST_FIRST:
        if verdict in drawn:
            fill = _FILLS[verdict]
            yield Patch(facecolor=fill.face, hatch=fill.hatch, edgecolor=INK, label=verdict)
    yield Line2D([], [], color=INK, marker="^", mec="white", ms=8, lw=1.6, label="onset, 95 %")
