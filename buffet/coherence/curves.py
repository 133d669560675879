"""Coherence, phase and gain of one pair of quantities over frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.coherence.cross_spectra import Mask, common_bins, quantity_cross, quantity_psd
from buffet.interval import Interval
from buffet.run_analysis import RunAnalysis
from buffet.spectral.coherence import (
    CHANCE,
    Transfer,
    limits,
    magnitude_squared,
    power_share,
    threshold,
    transfer,
    unbiased,
)
from buffet.spectral.delay import Delay, delay
from ingest import Quantity

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Curves:
    """Of a first quantity and a second, over the bins that both may use; arrays ``(n_bins,)``."""

    first: Quantity
    second: Quantity
    share_channels: bool  # both rest on one channel: coherent by construction
    frequency_hz: Array
    coherence: Array  # magnitude squared, as seen
    unbiased: Array  # below zero by chance where there is little
    coherence_low: Array
    coherence_high: Array
    threshold: float  # that one bin of twenty of independent signals exceeds
    response: Transfer  # from the first to the second
    share: Interval  # of the second's power, lines left out, that follows the first
    delay: Delay


def share_channels(first: Quantity, second: Quantity) -> bool:
    """Whether both rest on one logged channel, which makes them coherent by construction."""
    return bool(np.any((first.row != 0) & (second.row != 0)))


def curves(analysis: RunAnalysis, first: int, second: int, lines: Mask) -> Curves:
    """Of two quantities with a usable bin in common, by their positions.

    Share and delay are those of the bins without `lines`.
    """
    signal = analysis.signal
    bins = common_bins(analysis, first, second)
    broad = ~lines[bins]
    cross = quantity_cross(analysis, [second], [first])[0, 0, bins]
    psd = quantity_psd(analysis, [first, second])[:, bins]
    averages = analysis.spectra.effective_segments
    seen = magnitude_squared(cross, psd[0], psd[1])
    low, high = limits(seen, averages)
    frequency = signal.frequency_hz[bins]
    beyond_chance = threshold(averages, CHANCE / len(bins))
    return Curves(
        signal.quantities[first],
        signal.quantities[second],
        share_channels(signal.quantities[first], signal.quantities[second]),
        frequency,
        seen,
        unbiased(seen, averages),
        low,
        high,
        threshold(averages),
        transfer(cross, psd[0], seen, averages),
        power_share(psd[1, broad], seen[broad], averages),
        delay(cross, np.where(broad, seen, 0.0), frequency, averages, beyond_chance),
    )
