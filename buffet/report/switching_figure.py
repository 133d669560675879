"""The two states of a run: over time, as a distribution, how long they are held, their spectra."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from buffet.phrases import with_unit
from buffet.report.look import (
    FAINT,
    INK,
    Style,
    frame_all,
    new_figure,
    plain_numbers,
    powers_of_ten,
    shortened,
    styles,
)
from buffet.report.spectrum_figures import per_hertz
from buffet.run_spectra import RunResult
from buffet.switching.two_states import States, TwoStates

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

RUN_IN = 4.4  # height of a run with two states
QUIET_IN = 1.6  # and of one without
SIDES = ("lower", "upper")


def figure(parts: Sequence[tuple[RunResult, TwoStates]]) -> Figure:
    """A run's signal with its states above, what they are like below; the signal alone of others.

    The signal is that of the clearest quantity, averaged as the states were told from it.
    """
    heights = [QUIET_IN if found.states is None else RUN_IN for _, found in parts]
    whole = new_figure(sum(heights))
    boxes = whole.subfigures(len(parts), 1, height_ratios=heights, squeeze=False)[:, 0]
    both = styles(SIDES)
    for box, (result, found) in zip(boxes, parts, strict=True):
        name = f"run {result.analysis.run.number}"
        if result.analysis.run.configuration:
            name += f", {shortened(result.analysis.run.configuration)}"
        if found.states is None:
            _quiet(box.subplots(), name, found)
            continue
        grid = box.add_gridspec(2, 3, height_ratios=(1, 1.25))
        _over_time(box.add_subplot(grid[0, :]), name, found, found.states, both)
        _distribution(box.add_subplot(grid[1, 0]), found.states, both)
        _survival(box.add_subplot(grid[1, 1]), found.states, both)
        _spectra(box.add_subplot(grid[1, 2]), found.states, both)
    return whole


def _quiet(axes: Axes, name: str, found: TwoStates) -> None:
    averaged = found.tests[0].chosen.finest.averaged
    time = found.start_s + np.arange(averaged.n_averages) * averaged.spacing_s
    axes.plot(time, averaged.samples, color=INK, linewidth=0.6)
    axes.set_title(f"{name}: one state, {shortened(found.tests[0].name)}")
    axes.set_xlabel("time, s")
    axes.margins(x=0)


def _label(states: States) -> str:
    return with_unit(shortened(states.values.name, 22), states.values.unit)


def _over_time(
    axes: Axes, name: str, found: TwoStates, states: States, both: dict[str, Style]
) -> None:
    """The averages faint, the path through the two levels bold."""
    time = found.start_s + np.arange(len(states.averages)) * states.spacing_s
    axes.plot(time, states.averages, color=FAINT, linewidth=0.6)
    levels = np.array([one.value for one in states.values.mean])
    axes.step(time, levels[states.visits.path], where="mid", color=INK, linewidth=1.4)
    for side, level in zip(SIDES, levels, strict=True):
        axes.annotate(
            side,
            (1, float(level)),
            (4, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="center",
            color=both[side].colour,
            annotation_clip=False,
        )
    axes.set_title(f"{name}: {states.changes} changes of state")
    axes.set_xlabel("time, s")
    axes.set_ylabel(_label(states))
    axes.margins(x=0)


def _distribution(axes: Axes, states: States, both: dict[str, Style]) -> None:
    """Of the averages, with each state's Gaussian at its share of the time."""
    axes.hist(states.averages, bins=30, density=True, color="none", edgecolor=FAINT, linewidth=0.7)
    at = np.linspace(states.averages.min(), states.averages.max(), 300)
    middle = float(states.averages.mean())
    for k, side in enumerate(SIDES):
        mean, variance = states.models.mean[0, k] + middle, states.models.variance[0, k]
        density = np.exp(-0.5 * (at - mean) ** 2 / variance) / np.sqrt(2 * np.pi * variance)
        axes.plot(
            at,
            states.dwell[k].share * density,
            color=both[side].colour,
            linestyle=both[side].line,
            label=side,
        )
    axes.set_title("distribution")
    axes.set_xlabel(_label(states))
    axes.locator_params(axis="x", nbins=3)
    axes.set_yticks([])
    axes.set_ylim(top=axes.get_ylim()[1] * 1.3)
    axes.legend(loc="upper center", ncols=2, handlelength=2.2, columnspacing=1.0)


def _survival(axes: Axes, states: States, both: dict[str, Style]) -> None:
    """Share of visits that last longer than a time; straight where the changes are random."""
    lowest = 1.0
    for side, dwell in zip(SIDES, states.dwell, strict=True):
        lasted = np.sort(dwell.whole_s)
        style = both[side]
        if len(lasted) == 0:
            continue
        left = 1 - (np.arange(len(lasted)) + 0.5) / len(lasted)
        lowest = min(lowest, float(left[-1]))
        axes.plot(lasted, left, style.marker, color=style.colour, markersize=3, mfc="white")
        if dwell.seen_s is None or (mean := lasted.mean() - lasted[0]) <= 0:
            continue
        time = np.linspace(lasted[0], lasted[-1], 50)
        expected = np.exp(-(time - lasted[0]) / mean)
        axes.plot(time, expected, color=style.colour, linestyle=style.line, linewidth=1.0)
    axes.set_yscale("log")
    axes.set_xlim(left=0)
    axes.set_ylim(lowest / 1.6, 1.4)
    plain_numbers(axes.yaxis)
    frame_all(axes)
    axes.set_title("visits lasting longer")
    axes.set_ylabel("share of visits")
    axes.set_xlabel("time, s (lines: exponential)")


def _spectra(axes: Axes, states: States, both: dict[str, Style]) -> None:
    """Of each state about its level, and of the change of level by itself."""
    values = states.values
    axes.set_title("PSD in each state")
    if len(values.frequency_hz) == 0 or values.psd == (None, None):
        axes.set_axis_off()
        axes.text(0.5, 0.5, "visits too short", ha="center", transform=axes.transAxes)
        return
    frequency = values.frequency_hz
    drawn = [one.psd for one in values.psd if one is not None]
    for side, one in zip(SIDES, values.psd, strict=True):
        if one is not None:
            axes.plot(
                frequency, one.psd, color=both[side].colour, linestyle=both[side].line, label=side
            )
    if (change := states.level_psd) is not None:
        axes.plot(frequency, change, color=FAINT, linestyle=":", label="change")
        drawn.append(change)
    axes.set_xscale("log")
    axes.set_yscale("log")
    top = max(float(one.max()) for one in drawn)
    low = min(float(one.min()) for one in drawn)
    axes.set_ylim(max(low, top * 1e-6) / 2, top * 3)
    plain_numbers(axes.xaxis)
    powers_of_ten(axes.yaxis)
    frame_all(axes)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel(f"PSD, {per_hertz(values.unit)}")
    axes.legend(loc="lower left", handlelength=2.2)
