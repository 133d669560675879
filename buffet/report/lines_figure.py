"""Multitaper spectra of a run's channels with its lines, and the F-test that tells them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from buffet.lines.part import RunLine, RunLines
from buffet.report.look import (
    INK,
    MARKED,
    new_figure,
    over_frequency,
    plain_numbers,
    powers_of_ten,
    shortened,
    write_key,
)
from buffet.report.spectrum_figures import PEAK_MARKS, per_hertz
from buffet.report.upright import Mark, mark_upright
from buffet.run_spectra import RunResult
from buffet.spectral.lines import SIGNIFICANCE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

PANEL_IN = 3.6  # spectrum and test
COLUMNS = 2
MOST_PANELS = 6
DECADES = 7.0  # of spectrum below the highest point
LABEL_GAP = 0.06  # of a panel's width
LABEL_DECADES = 0.9  # of the spectrum's decades, above it for the upright labels
# The test's ratio is of interest about its threshold and above it.
LEAST_RATIO = 1.0
KEY = (
    "above: PSD of the channel as logged, by tapers, finer than the segments' own; diamonds: "
    "lines; below: F of a line at each frequency; dashed: threshold that a run without lines "
    "passes anywhere in fewer than 5 % of cases"
)


def figure(parts: Sequence[tuple[RunResult, RunLines]]) -> Figure:
    """A spectrum over its test for each channel in which a line is clear; the first without any."""
    wanted = [(run, found, channel) for run, found in parts for channel in _channels(found)]
    shown = wanted[:MOST_PANELS]
    rows = max(int(np.ceil(len(shown) / COLUMNS)), 1)
    drawn = new_figure(PANEL_IN * rows + 0.5)
    columns = min(COLUMNS, max(len(shown), 1))
    heights = [3, 2] * rows
    panels = drawn.subplots(2 * rows, columns, squeeze=False, height_ratios=heights)
    for axes in panels.ravel():
        axes.set_axis_off()
    for position, (run, found, channel) in enumerate(shown):
        row, column = 2 * (position // columns), position % columns
        above, below = panels[row, column], panels[row + 1, column]
        above.set_axis_on()
        below.set_axis_on()
        _spectrum(above, run, found, channel)
        _test(below, found, channel)
        below.set_xlim(above.get_xlim())
    write_key(drawn, KEY, len(wanted) - len(shown), "channels with lines")
    return drawn


def _channels(found: RunLines) -> list[int]:
    """Those with lines, the one with the clearest first."""
    clear = sorted(found.lines, key=lambda one: -one.line.f_ratio)
    every = dict.fromkeys(channel for one in clear for channel in one.line.channels)
    alive = [i for i, usable in enumerate(found.usable_hz) if usable > 0]
    return list(every) or alive[:1]


def _spectrum(axes: Axes, run: RunResult, found: RunLines, channel: int) -> None:
    logged = run.analysis.run.channels[channel]
    tapers = found.tapers
    inside = tapers.frequency_hz <= found.usable_hz[channel]
    frequency, psd = tapers.frequency_hz[inside], tapers.psd[channel, inside]
    axes.plot(frequency, psd, color=INK, linewidth=0.7)
    axes.set_yscale("log")
    axes.set_title(f"run {run.analysis.run.number}, {shortened(logged.name)}")
    axes.set_ylabel(f"PSD, {per_hertz(logged.unit)}")
    top = float(psd.max())
    bottom = max(float(psd[psd > 0].min()), top * 10**-DECADES) / 1.5
    own = [one for one in found.lines if channel in one.line.channels]
    axes.set_ylim(bottom, top * 2 * (top / bottom) ** (LABEL_DECADES if own else 0.0))
    over_frequency(axes, frequency)
    mark_upright(axes, [_mark(one, frequency, psd) for one in own], LABEL_GAP)
    powers_of_ten(axes.yaxis)


def _mark(one: RunLine, frequency_hz: Array, psd: Array) -> Mark:
    value = one.line.frequency_hz.value
    source = f", {one.source.kind}" if one.source else ""  # short: it stands on end
    height = float(np.interp(value, frequency_hz, psd))
    return Mark(value, height, PEAK_MARKS["line"], f"{value:.4g} Hz{source}")


def _test(axes: Axes, found: RunLines, channel: int) -> None:
    tapers = found.tapers
    inside = tapers.scan_hz <= found.usable_hz[channel]
    frequency = tapers.scan_hz[inside]
    ratio = np.maximum(tapers.f_ratio[channel, inside], LEAST_RATIO)
    threshold = tapers.threshold(SIGNIFICANCE / max(found.n_places, 1))
    axes.plot(frequency, ratio, color=INK, linewidth=0.5)
    axes.axhline(threshold, color=MARKED, linewidth=1.1, linestyle="--")
    axes.set_yscale("log")
    axes.set_ylim(LEAST_RATIO, max(float(ratio.max()), threshold) * 1.6)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel("F")
    over_frequency(axes, frequency)
    plain_numbers(axes.yaxis)
