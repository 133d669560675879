"""Which of many signals a force follows: ranked by the share of its power that is coherent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.coherence.cross_spectra import Mask, common_bins, quantity_cross, quantity_psd
from buffet.interval import Interval
from buffet.run_analysis import RunAnalysis
from buffet.spectral.coherence import (
    CHANCE,
    chance_of,
    coherent_share,
    limits,
    magnitude_squared,
    power_share,
    threshold,
    transfer,
    unbiased,
)
from buffet.spectral.delay import Delay, delay

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Bins over which coherent power is averaged to find where it is strongest: about those that the
# narrowest peak fills which segments are chosen to resolve.
NEIGHBOURS = 5


@dataclass(frozen=True)
class Link:
    """One signal that a force may follow."""

    name: str
    share: Interval  # of the force's power over the usable band of both
    beyond_chance: bool  # its largest coherence is, among all bins and signals looked at
    p_value: float  # that independent signals show as large a coherence somewhere
    largest_coherence: float  # as seen, in one bin
    largest_at_hz: float
    frequency_hz: float  # where most of the force's coherent power is
    coherence: Interval  # there, without bias
    phase_rad: Interval | None  # there, of the force against the signal; None: every one possible
    delay: Delay  # of the force behind the signal


@dataclass(frozen=True)
class Ranked:
    """Signals held against one force, the largest share first."""

    index: int  # of the force among the run's quantities
    force: str
    against_taps: bool
    other_indices: tuple[int, ...]  # of `links`
    links: tuple[Link, ...]
    n_bins: int  # looked at of the signal with most
    band_hz: tuple[float, float]
    threshold: float  # exceeded by chance somewhere with probability `CHANCE`

    @property
    def beyond_chance(self) -> tuple[Link, ...]:
        """Links whose coherence is more than chance."""
        return tuple(link for link in self.links if link.beyond_chance)


def ranked(
    analysis: RunAnalysis,
    force: int,
    others: Sequence[int],
    lines: Mask,
    *,
    against_taps: bool,
) -> Ranked:
    """Hold quantities against a force, lines left out; positions among the run's quantities.

    The largest of many coherences is large by chance, so that the threshold is Bonferroni's over
    all bins and signals, which is a little wide for neighbouring bins.
    """
    signal = analysis.signal
    cross = quantity_cross(analysis, [force], others)[0]
    psd = quantity_psd(analysis, [*others, force])
    common = [common_bins(analysis, force, i) for i in others]
    bins = [one[~lines[one]] for one in common]
    n_looked = sum(len(one) for one in bins)
    links = [
        _link(analysis, other, cross[row, one], (psd[row, one], psd[-1, one]), one, n_looked)
        for row, (other, one) in enumerate(zip(others, bins, strict=True))
        if len(one)
    ]
    looked = [other for other, one in zip(others, bins, strict=True) if len(one)]
    order = sorted(range(len(links)), key=lambda i: -links[i].share.value)
    frequency = signal.frequency_hz[common_bins(analysis, force, force)]
    return Ranked(
        force,
        signal.quantities[force].name,
        against_taps,
        tuple(looked[i] for i in order),
        tuple(links[i] for i in order),
        max(map(len, bins)),
        (float(frequency[0]), float(frequency[-1])),
        threshold(analysis.spectra.effective_segments, CHANCE / max(n_looked, 1)),
    )


def _strongest(coherent: Array) -> int:
    """Where the mean over neighbours is largest: the largest single bin is large by chance."""
    mean = np.convolve(coherent, np.ones(NEIGHBOURS), mode="same")
    return int(np.argmax(mean[: len(coherent)]))


def _link(
    analysis: RunAnalysis,
    other: int,
    cross: Complex,
    psd: tuple[Array, Array],
    bins: NDArray[np.intp],
    n_looked: int,
) -> Link:
    """Of a quantity X against a force Y: E[Y conj(X)] and the PSD of X and Y, on `bins`."""
    averages = analysis.spectra.effective_segments
    frequency = analysis.signal.frequency_hz[bins]
    first, second = psd
    seen = magnitude_squared(cross, first, second)
    largest = int(np.argmax(seen))
    p_value = min(1.0, n_looked * float(chance_of(seen[largest], averages)))
    bound = threshold(averages, CHANCE / n_looked)
    at = _strongest(second * coherent_share(seen, averages))
    low, high = (float(limit) for limit in limits(seen[at], averages))
    there = transfer(cross[at], first[at], seen[at], averages)
    phase, half = float(there.phase_rad), float(there.phase_half_rad)
    late = delay(cross, seen, frequency, averages, bound)
    return Link(
        analysis.signal.quantities[other].name,
        power_share(second, seen, averages),
        p_value < CHANCE,
        p_value,
        float(seen[largest]),
        float(frequency[largest]),
        float(frequency[at]),
        Interval(float(np.clip(unbiased(seen[at], averages), low, high)), low, high),
        Interval(phase, phase - half, phase + half) if np.isfinite(half) else None,
        late,
    )
