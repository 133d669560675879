"""A criterion's metric over road speed: what is felt from which speed on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from buffet.phrases import with_unit
from buffet.rating.criteria import Criterion
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.report.look import (
    FAINT,
    INK,
    Style,
    decibels,
    frame_all,
    new_figure,
    plain_numbers,
    shortened,
    spread,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

PANEL_IN = 3.6
LINE_IN = 0.155  # from one line of text to the next
# Metrics this far below the lower limit say "nothing" and need no room.
DEEPEST = 1 / 30
FAR_RIGHT = 1.025  # of the axis: where the names stand


def decisive_criteria(rating: Rating) -> tuple[Criterion, ...]:
    """Criteria that set a verdict, in the table's order; all measured ones where none did."""
    ids = {c.decisive.criterion.id for c in rating.configurations if c.decisive is not None}
    rows = tuple(row for row in rating.criteria.rows if row.id in ids)
    return rows or rating.criteria.rows


def speed_figure(rating: Rating, criteria: Sequence[Criterion], styles: dict[str, Style]) -> Figure:
    """One panel a criterion, one curve a configuration."""
    figure = new_figure(PANEL_IN * len(criteria))
    panels = figure.subplots(len(criteria), 1, squeeze=False)[:, 0]
    for axes, criterion in zip(panels, criteria, strict=True):
        speed_panel(axes, rating, criterion, styles)
    return figure


def speed_panel(axes: Axes, rating: Rating, criterion: Criterion, styles: dict[str, Style]) -> None:
    """One criterion over road speed, a curve a configuration, on given axes."""
    _axes(axes, rating, criterion)
    ends: list[tuple[str, float]] = []
    for configuration in rating.configurations:
        curve = _curve(configuration, criterion)
        if curve is None or curve.estimate is None:
            continue
        speeds = configuration.curves.setting.speeds_m_s * 3.6
        end = _draw_curve(axes, speeds, curve, styles[configuration.name], rating)
        if end is not None:
            ends.append((configuration.name, end))
        _draw_onset(axes, configuration, criterion, styles[configuration.name])
    _draw_limits(axes, criterion)
    names = [(shortened(name, 18), y, styles[name].colour) for name, y in ends]
    limits = [(f"{w} from {told:g}", y, FAINT) for w, told, y, _ in _limits(criterion)]
    _label_ends(axes, [*names, *limits])


def _curve(configuration: ConfigurationRating, criterion: Criterion) -> MetricCurve | None:
    return next((m for m in configuration.curves.metrics if m.criterion.id == criterion.id), None)


def _axes(axes: Axes, rating: Rating, criterion: Criterion) -> None:
    axes.set_title(criterion.id)
    axes.set_ylabel(with_unit("metric", criterion.unit))
    axes.set_xlabel("road speed, km/h")
    axes.set_yscale("log")
    top = rating.up_to_m_s * 3.6
    axes.set_xlim(_lowest_speed(rating, criterion) * 3.6, top)
    axes.set_xticks(np.arange(np.ceil(axes.get_xlim()[0] / 20) * 20, top + 1, 20))
    axes.set_ylim(*_range(rating, criterion))
    if criterion.is_level:
        decibels(axes.yaxis, criterion.sized(0.0))
    else:
        plain_numbers(axes.yaxis)
    frame_all(axes)
    rated = rating.speed_m_s * 3.6
    axes.axvline(rated, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    axes.annotate(
        f"rated: {rated:.0f} km/h",
        (rated, 1),
        (3, -3),
        xycoords=("data", "axes fraction"),
        textcoords="offset points",
        va="top",
        fontsize=7.5,
    )


def _lowest_speed(rating: Rating, criterion: Criterion) -> float:
    """A little below the lowest speed that any configuration covers."""
    lowest = []
    for configuration in rating.configurations:
        curve = _curve(configuration, criterion)
        if curve is not None and curve.covered.any():
            lowest.append(float(configuration.curves.setting.speeds_m_s[curve.covered][0]))
    speeds = rating.configurations[0].curves.setting.speeds_m_s
    return max(float(speeds[0]), 0.8 * min(lowest)) if lowest else float(speeds[0])


def _range(rating: Rating, criterion: Criterion) -> tuple[float, float]:
    """Limits of the vertical axis: both limits of the criterion and what the curves reach."""
    values = list(criterion.limits)
    for configuration in rating.configurations:
        curve = _curve(configuration, criterion)
        if curve is not None and curve.estimate is not None:
            known = curve.estimate.value[np.isfinite(curve.estimate.value)]
            values += [float(value) for value in known if value > 0]
    return max(min(values), criterion.limits[0] * DEEPEST) / 1.3, max(values) * 1.8


def _draw_curve(
    axes: Axes, speeds: Array, curve: MetricCurve, style: Style, rating: Rating
) -> float | None:
    """Solid where the record carries it, dotted elsewhere; returns the height of its right end."""
    assert curve.estimate is not None
    shown = (curve.estimate.value > 0) & (speeds <= rating.up_to_m_s * 3.6 * (1 + 1e-9))
    if not shown.any():
        return None
    value = np.where(shown, curve.estimate.value, np.nan)
    known = curve.covered & (curve.doubt is None)
    covered = np.where(known, value, np.nan)
    low, high = (np.where(np.isfinite(limit), limit, np.nan) for limit in curve.estimate.limits())
    inside = shown & known
    axes.fill_between(speeds, low, high, where=inside, color=style.colour, alpha=0.2, linewidth=0)
    axes.plot(speeds, value, color=style.colour, linewidth=0.9, linestyle=":", alpha=0.8)
    axes.plot(
        speeds,
        covered,
        color=style.colour,
        linewidth=1.6,
        marker=style.marker,
        markersize=4,
        markevery=6,
        markerfacecolor="white",
    )
    return float(value[np.flatnonzero(shown)[-1]])


def _draw_onset(
    axes: Axes, configuration: ConfigurationRating, criterion: Criterion, style: Style
) -> None:
    """A filled mark on the lower limit, with the interval of the onset speed."""
    onset = configuration.onset
    if onset is None or onset.criterion != criterion.id or onset.speed_m_s is None:
        return
    speed = onset.speed_m_s
    low = speed.value if speed.low is None else speed.low
    high = axes.get_xlim()[1] / 3.6 if speed.high is None else speed.high
    level = criterion.limits[0]
    axes.plot([low * 3.6, high * 3.6], [level, level], color=style.colour, linewidth=3.2, zorder=4)
    axes.plot(
        [speed.value * 3.6],
        [level],
        marker=style.marker,
        color=style.colour,
        markersize=7,
        markeredgecolor="white",
        zorder=5,
    )


def _label_ends(axes: Axes, ends: Sequence[tuple[str, float, str]]) -> None:
    """Text, height and colour of what ends at the right, moved apart where it would touch."""
    low, high = np.log(axes.get_ylim())
    gap = (high - low) * LINE_IN / (0.75 * PANEL_IN)
    places = spread([float(np.log(y)) for _, y, _ in ends], gap, low + gap / 2, high - gap / 2)
    for (text, y, colour), place in zip(ends, places, strict=True):
        axes.annotate(
            text,
            (1, y),
            (FAR_RIGHT, float(np.exp(place))),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 1.0, "shrinkA": 1},
        )


def _limits(criterion: Criterion) -> tuple[tuple[str, float, float, Any], ...]:
    """Word, limit as stated and as drawn, line."""
    possible, likely = criterion.limits
    dashed = (0, (6, 3))
    return (
        ("possible", criterion.possible, possible, dashed),
        ("likely", criterion.likely, likely, "-"),
    )


def _draw_limits(axes: Axes, criterion: Criterion) -> None:
    for _, _, value, line in _limits(criterion):
        axes.axhline(value, color=FAINT, linewidth=1.0, linestyle=line, zorder=1.5)
