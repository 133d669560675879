"""RMS coefficients of all configurations, and what add-ons change against the baseline."""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from buffet.comparing import AddOn, Comparison
from buffet.interval import Interval
from buffet.report.look import INK, Style, new_figure, shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BARS_IN = 3.2
ROW_IN = 0.12  # height of one add-on in the comparison
X_INTERVALS = 4  # between labels at most: five of "−0.0005" fit half the page

Bars = Mapping[str, Mapping[str, Interval]]  # component, configuration


def rms_figure(
    bars: Bars, styles: dict[str, Style], differs: Mapping[str, Container[str]] | None = None
) -> Figure:
    """Bars with 95 % intervals: a group a component, a bar a configuration.

    Parameters
    ----------
    differs : components of a configuration that get an asterisk
    """
    rows = int(np.ceil(len(styles) / 4))
    figure = new_figure(BARS_IN + 0.18 * rows)
    axes = figure.subplots()
    width = 0.8 / max(len(styles), 1)
    for i, (name, style) in enumerate(styles.items()):
        offset = (i + 0.5) * width - 0.4
        _bars_of(axes, bars, name, style, offset, width)
        _asterisks(axes, bars, name, (differs or {}).get(name, ()), offset)
    axes.set_xticks(range(len(bars)), [word.replace(" ", "\n") for word in bars])
    axes.tick_params(axis="x", length=0)
    axes.grid(False, axis="x")
    axes.set_ylabel("RMS coefficient")
    axes.set_ylim(bottom=0)
    figure.legend(loc="outside upper center", ncols=4)
    return figure


def _bars_of(axes: Axes, bars: Bars, name: str, style: Style, offset: float, width: float) -> None:
    known = [(i, row[name]) for i, row in enumerate(bars.values()) if name in row]
    places = [i + offset for i, _ in known]
    axes.bar(
        places,
        [interval.value for _, interval in known],
        width * 0.92,
        label=shortened(name),
        facecolor=style.colour if not style.hatch else "white",
        edgecolor=style.colour,
        hatch=style.hatch,
        linewidth=0.9,
    )
    _whiskers(axes, places, [interval for _, interval in known], vertical=True)


def _asterisks(axes: Axes, bars: Bars, name: str, differs: Container[str], offset: float) -> None:
    for i, (word, row) in enumerate(bars.items()):
        if word in differs and name in row:
            top = row[name].high or row[name].value
            axes.annotate(
                "*", (i + offset, top), (0, -1), textcoords="offset points", ha="center", fontsize=9
            )


def _whiskers(
    axes: Axes, places: Sequence[float], intervals: Sequence[Interval], vertical: bool
) -> None:
    for place, interval in zip(places, intervals, strict=True):
        if interval.low is None or interval.high is None:
            continue
        along, across = [interval.low, interval.high], [place, place]
        x, y = (across, along) if vertical else (along, across)
        axes.plot(x, y, color="white", linewidth=2.6, solid_capstyle="butt", zorder=3)
        axes.plot(
            x, y, color=INK, linewidth=1.1, zorder=4, marker="_" if vertical else "|", markersize=4
        )


def comparison_figure(comparison: Comparison, styles: dict[str, Style]) -> Figure:
    """RMS over the baseline's by component, and differences of the mean coefficients."""
    ratios = _ratios(comparison)
    deltas = {word: [value(one) for one in comparison.add_ons] for word, value in _DELTAS.items()}
    deltas = {word: row for word, row in deltas.items() if any(row)}
    tallest = max(len(ratios), len(deltas), 1) * max(len(comparison.add_ons), 1)
    figure = new_figure(1.5 + ROW_IN * tallest)
    left, right = figure.subplots(1, 2)
    ratio_panel(left, comparison, styles)
    left.set_title("fluctuation")
    _dots(right, deltas, comparison, styles, 0.0)
    right.set_title("mean coefficients")
    right.set_xlabel(f"difference to {shortened(comparison.baseline.name, 20)}")
    if comparison.add_ons:
        figure.legend(*left.get_legend_handles_labels(), loc="outside upper center", ncols=4)
    return figure


def ratio_panel(axes: Axes, comparison: Comparison, styles: dict[str, Style]) -> None:
    """RMS over the baseline's by component, a mark an add-on, on given axes."""
    _dots(axes, _ratios(comparison), comparison, styles, 1.0)
    axes.set_xlabel(f"RMS over that of {shortened(comparison.baseline.name, 20)}")


def _ratios(comparison: Comparison) -> dict[str, list[Interval | None]]:
    words = dict.fromkeys(w for one in comparison.add_ons for w in one.rms_ratio)
    return {w: [one.rms_ratio.get(w) for one in comparison.add_ons] for w in words}


_DELTAS: dict[str, Callable[[AddOn], Interval | None]] = {
    "drag": lambda one: one.delta_drag,
    "front lift": lambda one: one.delta_front_lift,
    "rear lift": lambda one: one.delta_rear_lift,
}


def _dots(
    axes: Axes,
    rows: Mapping[str, Sequence[Interval | None]],
    comparison: Comparison,
    styles: dict[str, Style],
    same: float,
) -> None:
    """Points with intervals: a group a component, a mark an add-on."""
    step = 0.8 / max(len(comparison.add_ons), 1)
    for i, add_on in enumerate(comparison.add_ons):
        known = [(k, row[i]) for k, row in enumerate(rows.values())]
        _dots_of(axes, add_on, known, (i + 0.5) * step - 0.4, styles[add_on.name])
    axes.axvline(same, color=INK, linewidth=0.9)
    axes.set_yticks(range(len(rows)), list(rows))
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.grid(False, axis="y")
    axes.locator_params(axis="x", nbins=X_INTERVALS)


def _dots_of(
    axes: Axes,
    add_on: AddOn,
    values: Sequence[tuple[int, Interval | None]],
    offset: float,
    style: Style,
) -> None:
    known = [(k + offset, value) for k, value in values if value is not None]
    _whiskers(axes, [place for place, _ in known], [value for _, value in known], vertical=False)
    axes.plot(
        [value.value for _, value in known],
        [place for place, _ in known],
        linestyle="none",
        marker=style.marker,
        color=style.colour,
        markersize=4,
        markerfacecolor="white",
        markeredgewidth=1.1,
        zorder=5,
        label=shortened(add_on.name),
    )
