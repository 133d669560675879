"""Pure lines that chance does not explain anywhere in a run, by the harmonic F-test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import NORMAL_HALF_WIDTH, Interval
from buffet.spectral.multitaper import HALF_BANDWIDTH_BINS, frequency_scatter
from buffet.spectral.tapers import TaperSpectra

Array = NDArray[np.float64]

# A record without lines shows one in fewer than one case in twenty, in whichever channel: the
# probability at one place times the number of all places in all channels (Bonferroni). The usual
# 1 - 1/N a bin would show about one false line a channel.
SIGNIFICANCE = 0.05
# Within so many bins of a stretch a line fills the tapers' band and nothing else can be told.
ONE_LINE_BINS = HALF_BANDWIDTH_BINS + 1
# Of a bin: what the parabola through three places may miss of a line without noise (simulated:
# at most 0.018).
PARABOLA_BINS = 0.018
MOST_LINES = 30  # nobody looks at more; the strongest evidence first


@dataclass(frozen=True)
class Line:
    """One line of a run, from the channel in which it stands out most."""

    frequency_hz: Interval
    p_value: float  # for all places in all channels of the run
    channel: int
    f_ratio: float
    channels: tuple[int, ...]  # in which it is significant by itself, the clearest first


def find_lines(spectra: TaperSpectra, usable_hz: Array) -> tuple[Line, ...]:
    """Lines of all channels, merged where they cannot be told apart, by rising frequency.

    Parameters
    ----------
    usable_hz : (n_channels,), upper end of each channel's band; 0 for one not to be looked at
    """
    looked_at = (spectra.scan_hz <= usable_hz[:, None]) & (spectra.noise_psd > 0)
    n_places = int(looked_at.sum())
    p_values = np.where(looked_at, spectra.p_values * n_places, np.inf)
    evidence = np.where(looked_at, spectra.evidence, -np.inf)
    # below its own size a float says no more of p: the evidence puts lines in order
    open_to = p_values < SIGNIFICANCE
    reach_hz = ONE_LINE_BINS * spectra.frequency_step_hz
    lines: list[Line] = []
    while open_to.any() and len(lines) < MOST_LINES:
        channel, place = np.unravel_index(
            int(np.argmax(np.where(open_to, evidence, -np.inf))), evidence.shape
        )
        near = np.abs(spectra.scan_hz - spectra.scan_hz[place]) < reach_hz
        best = np.where(open_to[:, near], evidence[:, near], -np.inf).max(axis=1)
        order = [int(i) for i in np.argsort(-best, kind="stable") if np.isfinite(best[i])]
        lines.append(
            Line(
                _frequency(spectra, int(channel), int(place)),
                float(p_values[channel, place]),
                int(channel),
                float(spectra.f_ratio[channel, place]),
                tuple(order),
            )
        )
        open_to[:, near] = False
    return tuple(sorted(lines, key=lambda line: line.frequency_hz.value))


def _frequency(spectra: TaperSpectra, channel: int, place: int) -> Interval:
    """At the top of the line's power over the places, by a parabola through its logarithm."""
    power = np.log(np.maximum(spectra.line_variance[channel], np.finfo(float).tiny))
    step_hz = float(spectra.scan_hz[1] - spectra.scan_hz[0])
    span = slice(max(place - 3, 1), min(place + 4, len(power) - 1))
    top = span.start + int(np.argmax(power[span]))
    left, middle, right = power[top - 1 : top + 2]
    bend = left - 2 * middle + right
    shift = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0 else 0.0
    value = float(spectra.scan_hz[top]) + shift * step_hz
    squared = 2 * float(spectra.line_variance[channel, top])  # A²
    noise = float(spectra.noise_psd[channel, top])
    scatter = frequency_scatter() * noise / (squared * spectra.stretch_s**3 * spectra.n_stretches)
    missed = PARABOLA_BINS * spectra.frequency_step_hz
    half = NORMAL_HALF_WIDTH * float(np.sqrt(scatter)) + missed
    return Interval(value, value - half, value + half)
