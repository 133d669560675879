"""A run's signal, its wavelet power over time and frequency, and the energy in the band."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from buffet.report.look import (
    FAINT,
    INK,
    MARKED,
    new_figure,
    plain_numbers,
    powers_of_ten,
    shortened,
    write_key,
)
from buffet.run_spectra import RunResult
from buffet.wavelets.part import RunWavelets

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

RUN_IN = 4.6  # signal, scalogram and energy of one run
HEIGHTS = (2, 5, 2)
MOST_RUNS = 3  # more do not fit on a page
DECADES = 3.0  # of power below the highest
DARKEST = 0.85  # of the way from white to black, so that lines on it can be seen
PALED = 0.65  # of the way to white: power that red noise may have
KEY = (
    "above: signal, smallest to largest; middle: wavelet power, the darker the more; outlined: "
    "above the 95 % level of red noise, pale and dotted: below it; between dotted lines: the band; "
    "hatched: the ends of the record reach there; below: energy in the band, dashed: 95 % level of "
    "red noise"
)


def figure(parts: Sequence[tuple[RunResult, RunWavelets]]) -> Figure:
    """Three panels a run, of the quantity in which its fundamental was named."""
    shown = parts[:MOST_RUNS]
    drawn = new_figure(RUN_IN * max(len(shown), 1) + 0.5)
    panels = drawn.subplots(
        len(HEIGHTS) * len(shown), 1, squeeze=False, height_ratios=HEIGHTS * len(shown)
    )[:, 0]
    for position, (result, found) in enumerate(shown):
        signal, power, energy = panels[len(HEIGHTS) * position :][: len(HEIGHTS)]
        _signal(signal, result, found)
        _power(drawn, power, found)
        _energy(energy, found)
        start, end = (found.copy.start_s + edge for edge in found.scalogram.edges_s[[0, -1]])
        for axes in (signal, power, energy):
            axes.set_xlim(start, end)
        for axes in (signal, power):
            axes.tick_params(labelbottom=False)
    write_key(drawn, KEY, len(parts) - len(shown), "runs")
    return drawn


def _signal(axes: Axes, result: RunResult, found: RunWavelets) -> None:
    """Smallest and largest value of each column: any length stays readable."""
    one, edges = found.drawn, found.scalogram.edges_s
    samples = found.signal
    first = np.unique((edges[:-1] * found.copy.rate_hz).astype(int).clip(0, len(samples) - 1))
    at_s = found.copy.start_s + first / found.copy.rate_hz
    low, high = np.minimum.reduceat(samples, first), np.maximum.reduceat(samples, first)
    axes.fill_between(at_s, low, high, color=INK, linewidth=0.3, step="post")
    axes.set_title(f"run {result.analysis.run.number}, {shortened(one.quantity)}")
    axes.set_ylabel(one.quantity if one.unit == "1" else one.unit)


def _power(drawn: Figure, axes: Axes, found: RunWavelets) -> None:
    from matplotlib.colors import LinearSegmentedColormap, LogNorm

    scalogram, one = found.scalogram, found.drawn
    at_s, frequency = found.copy.start_s + scalogram.edges_s, scalogram.frequency_hz
    grey = LinearSegmentedColormap.from_list("grey", ["1.0", str(1 - DARKEST)])
    top = float(scalogram.power.max())
    norm = LogNorm(top * 10**-DECADES, top, clip=True)
    mesh = axes.pcolormesh(
        at_s, _edges(frequency), scalogram.power, cmap=grey, norm=norm, rasterized=True
    )
    if found.above_red_noise is not None:
        _significance(axes, found, found.above_red_noise)
    _influence(axes, at_s, scalogram.influence_s, frequency)
    for edge in (one.band.low_hz, one.band.high_hz):
        axes.axhline(edge, color=INK, linewidth=0.9, linestyle=":")
    axes.set_yscale("log")
    axes.set_ylim(float(frequency[-1]), float(frequency[0]))
    axes.set_ylabel("frequency, Hz")
    axes.grid(False)
    plain_numbers(axes.yaxis)
    bar = drawn.colorbar(mesh, ax=axes, pad=0.01, aspect=14)
    bar.set_label("|W|²" if one.unit == "1" else f"|W|², ({one.unit})²")
    bar.ax.tick_params(which="both", width=0.4)
    powers_of_ten(bar.ax.yaxis)


def _significance(axes: Axes, found: RunWavelets, above: Array) -> None:
    """Outlines of what is above the level, the rest paled, out to the edges of the panel."""
    edges_s = found.copy.start_s + found.outlined.edges_s
    frequency = found.outlined.frequency_hz
    middles = (edges_s[1:] + edges_s[:-1]) / 2
    at_s = np.concatenate([edges_s[:1], middles, edges_s[-1:]])
    whole = np.pad(above, ((0, 0), (1, 1)), mode="edge")
    if whole.min() < 1:
        # dots as well: what is above the level, but weak, is as white
        pale = [(1.0, 1.0, 1.0, PALED)]
        below = axes.contourf(at_s, frequency, whole, [0.0, 1.0], colors=pale, hatches=["...."])
        below.set(edgecolor=FAINT, linewidth=0.0)
    if whole.min() < 1 < whole.max():
        axes.contour(at_s, frequency, whole, [1.0], colors=MARKED, linewidths=0.7)


def _edges(frequency_hz: Array) -> Array:
    """Of rows about evenly spaced logarithms, ``(n + 1,)``."""
    logs = np.log(frequency_hz)
    half = (logs[1] - logs[0]) / 2
    return np.asarray(np.exp(np.concatenate([[logs[0] - half], logs + half])))


def _influence(axes: Axes, at_s: Array, influence_s: Array, frequency_hz: Array) -> None:
    """Hatched where the ends of the record reach."""
    look: dict[str, Any] = {
        "facecolor": (1, 1, 1, 0.45),
        "edgecolor": FAINT,
        "hatch": "////",
        "linewidth": 0.6,
    }
    axes.fill_betweenx(frequency_hz, at_s[0], at_s[0] + influence_s, **look)
    axes.fill_betweenx(frequency_hz, at_s[-1] - influence_s, at_s[-1], **look)


def _energy(axes: Axes, found: RunWavelets) -> None:
    one, edges = found.drawn, found.scalogram.edges_s
    at_s = found.copy.start_s + (edges[1:] + edges[:-1]) / 2
    axes.plot(at_s, one.energy.in_columns(edges), color=INK, linewidth=0.8)
    if one.energy.level is not None:
        axes.axhline(one.energy.level, color=MARKED, linewidth=1.1, linestyle="--")
    axes.set_ylim(bottom=0)
    axes.set_xlabel("time, s")
    axes.set_ylabel("energy" if one.unit == "1" else f"({one.unit})²")
