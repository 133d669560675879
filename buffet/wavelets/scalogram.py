"""Wavelet power over time and frequency, coarse enough to draw and to hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.locking import lock
from buffet.spectral.wavelet import (
    INFLUENCE_PER_SCALE,
    BandFilter,
    frequency_hz,
    scales_between,
)

Array = NDArray[np.float64]

# As many as a page's width shows, and rows near enough to look smooth.
MOST_COLUMNS = 400
SCALES_PER_OCTAVE = 8
# Octaves about a peak's frequency: its subharmonics and what is slower, and four harmonics.
OCTAVES_BELOW, OCTAVES_ABOVE = 4.0, 2.5
# Of the record, which the cone of influence may take of the lowest row at either end.
MOST_INFLUENCE = 0.2


@dataclass(frozen=True)
class Scalogram:
    """|W|² averaged within columns of time; arrays are locked."""

    edges_s: Array  # (n_columns + 1,), of the columns, in the samples' time
    scales_s: Array  # (n_scales,), rising
    power: Array  # (n_scales, n_columns), unit²

    def __post_init__(self) -> None:
        lock(self)

    @property
    def frequency_hz(self) -> Array:
        """Of the rows, falling, ``(n_scales,)``."""
        return frequency_hz(self.scales_s)

    @property
    def influence_s(self) -> Array:
        """What is doubtful of each row at either end, ``(n_scales,)``."""
        return np.asarray(INFLUENCE_PER_SCALE * self.scales_s)

    def wider(self, columns: int) -> Scalogram:
        """With as many columns averaged into one; those left over at the end are left out."""
        n = self.power.shape[1] // columns
        power = self.power[:, : n * columns].reshape(len(self.power), n, columns).mean(axis=2)
        return Scalogram(self.edges_s[: n * columns + 1 : columns], self.scales_s, power)


def scalogram(samples: Array, step_s: float, centre_hz: float, to_hz: float) -> Scalogram:
    """Of some octaves about a frequency, no higher than `to_hz`; samples ``(n,)``.

    Each row is worked out at no more instants than its frequency needs, so that the work hardly
    grows with the number of rows.
    """
    from scipy.fft import rfft

    n = len(samples)
    duration_s = n * step_s
    lowest_hz = INFLUENCE_PER_SCALE / (MOST_INFLUENCE * duration_s)
    low_hz = max(centre_hz * 2**-OCTAVES_BELOW, float(lowest_hz))
    high_hz = max(min(centre_hz * 2**OCTAVES_ABOVE, to_hz), 2 * low_hz)
    scales = scales_between(low_hz, high_hz, SCALES_PER_OCTAVE)
    columns = min(MOST_COLUMNS, n)
    edges = np.linspace(0.0, duration_s, columns + 1)
    bins = rfft(samples - samples.mean())
    power = np.array([_row(bins, n, step_s, scales[i : i + 1], edges) for i in range(len(scales))])
    return Scalogram(edges, scales, power)


def _row(bins: NDArray[np.complex128], n: int, step_s: float, scale: Array, edges: Array) -> Array:
    """One scale's power, averaged within columns or taken between instants, ``(n_columns,)``."""
    band = BandFilter(n, step_s, scale, np.ones(1))
    power = band.power(bins[band.kept])
    at_s = np.arange(band.count) * band.step_s
    column = np.minimum(np.searchsorted(edges, at_s, side="right") - 1, len(edges) - 2)
    count = np.bincount(column, minlength=len(edges) - 1)
    total = np.bincount(column, weights=power, minlength=len(edges) - 1)
    middle = (edges[1:] + edges[:-1]) / 2
    return np.where(count > 0, total / np.maximum(count, 1), np.interp(middle, at_s, power))
