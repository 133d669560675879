"""Block extremes on Gumbel paper, with what was fitted and the driving time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from buffet.extremes.gumbel import MEAN_FRACTILE, Tail
from buffet.extremes.order_statistics import blue
from buffet.extremes.result import Extremes, QuantityExtremes, WorstValue
from buffet.report.look import FAINT, INK, MARKED, new_figure, shortened, write_key
from buffet.run_spectra import RunResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

PANEL_IN = 2.3
MOST_PANELS = 24  # three pages; more cannot be read
COLUMNS = 2
CURVE_POINTS = 16
KEY = (
    "largest (circles, solid) and smallest (triangles, dashed) values of the record's blocks and "
    "the Gumbel fit with its 95 % band; dotted: the driving time (57 %) with its intervals; "
    "crosses: a Gaussian record (Davenport); along: the reduced variate of a block, -ln(-ln P)"
)


def figure(parts: Sequence[tuple[RunResult, Extremes]]) -> Figure:
    """One panel a run and quantity."""
    drawn = [
        (result, found, one)
        for result, found in parts
        for one in found.quantities
        if one.largest and one.smallest
    ]
    shown = drawn[:MOST_PANELS]
    n_rows = max(1, -(-len(shown) // COLUMNS))
    drawing = new_figure(PANEL_IN * n_rows + 0.45)
    panels = drawing.subplots(n_rows, COLUMNS, squeeze=False).ravel()
    for axes, (result, found, one) in zip(panels, shown, strict=False):
        _panel(axes, result, found, one)
    for axes in panels[len(shown) :]:
        axes.set_axis_off()
    write_key(drawing, KEY, len(drawn) - len(shown))
    return drawing


def _panel(axes: Axes, result: RunResult, found: Extremes, one: QuantityExtremes) -> None:
    factor = one.full_scale or 1.0
    unit = one.full_scale_unit or one.quantity.unit
    for worst, marker, line in ((one.largest, "o", "-"), (one.smallest, "v", (0, (5, 2)))):
        if worst is not None:
            _tail(axes, worst, found, factor, marker, line)
    if one.peak_factor is not None and one.largest is not None:
        tail = one.largest.tail
        reach = one.peak_factor.davenport * tail.rms
        at = tail.reduced_variate(MEAN_FRACTILE, found.model_time_s)
        ends = [factor * (tail.mean + sign * reach) for sign in (1, -1)]
        axes.plot([at, at], ends, linestyle="", marker="x", color=INK, markersize=6)
    axes.set_title(f"run {result.analysis.run.number}, {shortened(one.quantity.name, 20)}")
    axes.set_ylabel("coefficient" if unit == "1" else unit)


def _tail(
    axes: Axes, worst: WorstValue, found: Extremes, factor: float, marker: str, line: Any
) -> None:
    tail = worst.tail
    at = tail.reduced_variate(MEAN_FRACTILE, found.model_time_s)
    ordered = np.sort(tail.sign * tail.extremes) * tail.sign * factor
    places = blue(len(ordered)).reduced_means
    variates = np.linspace(places[0] - 0.3, max(places[-1], at) + 0.5, CURVE_POINTS)
    value, low, high = _curve(tail, variates) * factor
    axes.fill_between(variates, low, high, color=FAINT, alpha=0.3, linewidth=0)
    axes.plot(variates, value, color=MARKED, linestyle=line, linewidth=1.2)
    axes.plot(places, ordered, marker, color=INK, markersize=3.2, fillstyle="none")
    expected = worst.expected
    ends = [factor * limit for limit in (expected.low, expected.high) if limit is not None]
    axes.plot([at] * len(ends), ends, "_-", color=INK, linewidth=1.2, markersize=7)
    axes.axvline(at, color=INK, linestyle=":", linewidth=0.8)


def _curve(tail: Tail, variates: Array) -> Array:
    """Value, lower and upper limit, ``(3, n)``."""
    found = [tail.at(float(variate)) for variate in variates]
    return np.array([[one.value, one.low, one.high] for one in found], float).T
