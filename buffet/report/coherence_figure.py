"""Coherence, phase and gain of pairs of quantities over frequency."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from buffet.coherence.curves import Curves
from buffet.coherence.part import Coherence
from buffet.report.look import (
    FAINT,
    INK,
    MARKED,
    new_figure,
    over_frequency,
    plain_numbers,
    shortened,
    write_key,
)
from buffet.run_spectra import RunResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS, MOST_PAIRS = 2, 4
BLOCK_IN = 4.75
# Of the gain, below its highest value among coherent bins.
DECADES = 3.0
TITLE_CHARACTERS = 34  # that fit above a panel, on each of two lines
KEY = (
    "grey: 95 % interval; dashed: threshold that one bin of twenty of independent signals exceeds; "
    "phase (falling with frequency: what is named first comes later) and gain of what is named "
    "first against the other, where the coherence is above the threshold; coherence is not cause"
)


def figure(parts: Sequence[tuple[RunResult, Coherence]]) -> Figure:
    """The pairs asked for; where none was, of each run those in which most of a force follows."""
    wanted = [(run, pair) for run, found in parts for pair in _chosen(found)]
    shown = wanted[:MOST_PAIRS]
    blocks = max(-(-len(shown) // COLUMNS), 1)
    columns = min(COLUMNS, max(len(shown), 1))
    drawn = new_figure(BLOCK_IN * blocks + 0.5)
    panels = drawn.subplots(3 * blocks, columns, squeeze=False, height_ratios=[3, 2, 2] * blocks)
    for axes in panels.ravel():
        axes.set_axis_off()
    for position, (run, pair) in enumerate(shown):
        row, column = 3 * (position // columns), position % columns
        own = panels[row : row + 3, column]
        for axes, draw in zip(own, (_coherence, _phase, _gain), strict=True):
            axes.set_axis_on()
            draw(axes, pair)
            over_frequency(axes, pair.frequency_hz)
        own[0].set_title(_title(run, pair), fontsize=8.5)
        own[2].set_xlabel("frequency, Hz")
    write_key(drawn, KEY, len(wanted) - len(shown), "pairs")
    return drawn


def _title(run: RunResult, pair: Curves) -> str:
    lines = (f"run {run.analysis.run.number}: {pair.second.name}", f"against {pair.first.name}")
    return "\n".join(shortened(line, TITLE_CHARACTERS) for line in lines)


def _chosen(found: Coherence) -> Sequence[Curves]:
    return found.pairs or sorted(found.strongest, key=lambda pair: -pair.share.value)


def _coherence(axes: Axes, pair: Curves) -> None:
    low, high = pair.coherence_low, pair.coherence_high
    axes.fill_between(pair.frequency_hz, low, high, color=FAINT, alpha=0.45, linewidth=0)
    axes.plot(pair.frequency_hz, pair.coherence, color=INK, linewidth=0.8)
    axes.axhline(pair.threshold, color=MARKED, linewidth=1.1, linestyle="--")
    axes.set_ylim(0, 1)
    axes.set_ylabel("coherence γ²")


def _phase(axes: Axes, pair: Curves) -> None:
    """Dots with their intervals, drawn on where they pass half a turn."""
    above = pair.coherence > pair.threshold
    frequency = pair.frequency_hz[above]
    phase = np.degrees(pair.response.phase_rad[above])
    half = np.degrees(pair.response.phase_half_rad[above])
    half = np.where(np.isnan(half), 180.0, half)
    turned = np.exp(1j * pair.response.phase_rad[above])
    low = 0.0 if turned.sum().real < 0 else -180.0  # signals that oppose stay in one place
    phase = (phase - low) % 360 + low
    for turn in (-360.0, 0.0, 360.0):
        axes.vlines(frequency, phase + turn - half, phase + turn + half, color=FAINT, linewidth=0.6)
    axes.plot(frequency, phase, ".", color=INK, markersize=2.5)
    axes.set_ylim(low, low + 360)
    axes.set_yticks(low + 90 * np.arange(5))
    axes.set_ylabel("phase, °")


def _gain(axes: Axes, pair: Curves) -> None:
    response = pair.response
    above = pair.coherence > pair.threshold
    axes.set_yscale("log")
    axes.vlines(
        pair.frequency_hz[above],
        np.maximum(response.gain_low[above], 1e-300),
        response.gain_high[above],
        color=FAINT,
        linewidth=0.6,
    )
    axes.plot(pair.frequency_hz[above], response.gain[above], ".", color=INK, markersize=2.5)
    gain = response.gain[above] if above.any() else response.gain
    top = float(response.gain_high[above].max()) if above.any() else float(gain.max())
    if top > 0:
        bottom = max(float(gain.min()) / 2, top * 10**-DECADES)
        axes.set_ylim(bottom, top * 1.3)
        plain_numbers(axes.yaxis)
    unit = "" if pair.first.unit == pair.second.unit else f", {pair.second.unit}/{pair.first.unit}"
    axes.set_ylabel(f"gain |H1|{unit}")
