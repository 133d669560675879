"""Segments of a record: how it is cut, and everything linear in their spectra."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.locking import lock
from buffet.spectral.whole_matrix import unpacked, unpacked_pair
from buffet.spectral.window import degrees_of_freedom, effective_segments

# Samples of a channel in one batch of segments: enough that what is done once a batch costs little,
# few enough that all channels can wait for one: samples and spectra of 64 take 70 MB.
BATCH_SAMPLES = 1 << 17
# Bins whose matrices are unpacked at a time: 64 channels take 17 MB.
UNPACKED_BINS = 256

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def few_bins(n_bins: int, at_once: int = UNPACKED_BINS) -> Iterator[slice]:
    """The first bins, as many at a time as matrices are unpacked of, or fewer."""
    for start in range(0, n_bins, at_once):
        yield slice(start, min(start + at_once, n_bins))


@dataclass(frozen=True)
class SegmentSettings:
    """How a record is cut: Hann segments of `segment_samples`, half overlapping."""

    sample_rate_hz: float
    segment_samples: int  # even
    cross_channels: tuple[int, ...] = ()  # channels whose cross-spectra are kept, sorted
    retained_to_hz: float = np.inf  # per-segment spectra are kept up to here
    workers: int = 2
    more_pairs: tuple[tuple[int, int], ...] = ()  # kept besides those among `cross_channels`
    whole_matrix: bool = False  # totals of every pair too, up to `retained_to_hz`
    # Transforms in single precision: half the time; sums stay double. What it costs is 1e-6 of the
    # variance and a floor 110 dB below the mean density, under that of a 16-bit converter.
    single_precision: bool = False

    def __post_init__(self) -> None:
        """Refuse lengths that cannot overlap by half.

        Raises
        ------
        ValueError
            `segment_samples` is odd or below 4.
        """
        if self.segment_samples < 4 or self.segment_samples % 2:
            raise ValueError(
                f"segments of {self.segment_samples} samples cannot overlap by half; "
                "give an even number, 4 or more"
            )

    @property
    def hop_samples(self) -> int:
        """From one segment to the next."""
        return self.segment_samples // 2

    @property
    def batch_segments(self) -> int:
        """Segments transformed in one call."""
        return max(1, BATCH_SAMPLES // self.segment_samples)

    @property
    def frequency_hz(self) -> Array:
        """All bins, shape ``(n_bins,)``."""
        n_bins = self.segment_samples // 2 + 1
        return np.arange(n_bins, dtype=float) * (self.sample_rate_hz / self.segment_samples)

    @property
    def retained_bins(self) -> int:
        """Number of bins, from zero up, of which every segment is kept."""
        return int(np.searchsorted(self.frequency_hz, self.retained_to_hz, side="right"))

    @cached_property
    def pairs(self) -> dict[tuple[int, int], int]:
        """Channels whose cross-spectrum is kept, and its row."""
        channels = self.cross_channels
        among = [(a, b) for i, a in enumerate(channels) for b in channels[i + 1 :]]
        every = dict.fromkeys((*among, *self.more_pairs))
        return {pair: row for row, pair in enumerate(every)}


@dataclass(frozen=True)
class SegmentSpectra:
    """What one pass over a record leaves behind; arrays are locked."""

    settings: SegmentSettings
    n_samples: int
    n_segments: int
    mean: Array  # (n_channels,)
    variance: Array  # (n_channels,), about the mean, over all samples
    covariance: Array  # (n_cross, n_cross), the same of `settings.cross_channels`
    psd: Array  # (n_channels, n_bins), one-sided, unit² / Hz
    cross: Complex  # (n_pairs, n_bins), one-sided, by row of `settings.pairs`
    group_segments: Array  # (n_groups,), segments in each group
    group_psd: Array  # (n_groups, n_channels, retained_bins)
    group_cross: Complex  # (n_groups, n_pairs, retained_bins)
    group_mean: Array  # (n_groups, n_channels), under the window, about the record's mean
    packed: Array | None = None  # (retained_bins, n_channels, n_channels), where all pairs are kept

    def __post_init__(self) -> None:
        lock(self)

    @property
    def frequency_hz(self) -> Array:
        """Bins of `psd`, shape ``(n_bins,)``."""
        return self.settings.frequency_hz

    @property
    def frequency_step_hz(self) -> float:
        """Distance of the bins."""
        return self.settings.sample_rate_hz / self.settings.segment_samples

    @property
    def duration_s(self) -> float:
        """Length of the record."""
        return self.n_samples / self.settings.sample_rate_hz

    @property
    def segment_s(self) -> float:
        """Length of a segment."""
        return self.settings.segment_samples / self.settings.sample_rate_hz

    @property
    def effective_segments(self) -> float:
        """Independent segments that the overlapping ones are worth."""
        return effective_segments(self.n_segments)

    @property
    def degrees_of_freedom(self) -> float:
        """Of one bin of `psd`."""
        return degrees_of_freedom(self.n_segments)

    def cross_psd(self, first: int, second: int) -> Complex:
        """Cross-spectrum E[X_first · conj(X_second)] of two channels, shape ``(n_bins,)``.

        Of a pair that is kept by `settings.whole_matrix` alone, ``(retained_bins,)``.

        Raises
        ------
        ValueError
            The pair is not kept.
        """
        pairs = self.settings.pairs
        kept = first == second or (first, second) in pairs or (second, first) in pairs
        if self.packed is not None and not kept:
            return unpacked_pair(self.packed, first, second)
        return np.asarray(self._cross(self.psd[None], self.cross[None], first, second)[0])

    def group_cross_psd(self, first: int, second: int, bins: slice = slice(None)) -> Complex:
        """The same of each group in some of the retained bins, shape ``(n_groups, bins)``.

        Raises
        ------
        ValueError
            The pair is not among `settings.pairs`.
        """
        return self._cross(self.group_psd[..., bins], self.group_cross[..., bins], first, second)

    def _cross(self, power: Array, cross: Complex, first: int, second: int) -> Complex:
        """One pair's row of ``(n, n_channels, n_bins)`` and ``(n, n_pairs, n_bins)``."""
        if first == second:
            return np.asarray(power[:, first], complex)
        pairs = self.settings.pairs
        if (first, second) in pairs:
            return np.asarray(cross[:, pairs[first, second]])
        if (second, first) in pairs:
            return np.asarray(np.conj(cross[:, pairs[second, first]]))
        raise ValueError(f"no cross-spectrum kept for channels {first} and {second}")

    def matrix(self, bins: slice) -> Complex:
        """Cross-spectral matrices of all channels, ``(bins, n_channels, n_channels)``.

        Of some of the retained bins at a time, see `few_bins`: all of them may be large.

        Raises
        ------
        ValueError
            Not every pair was kept.
        """
        if self.packed is None:
            raise ValueError("no whole matrix kept; ask for it in the settings")
        return unpacked(self.packed[bins])

    def group_matrix(self, bins: slice) -> Complex:
        """Cross-spectral matrices of the kept channels, one a group.

        Shape ``(n_groups, bins, n_kept, n_kept)``, kept = `settings.cross_channels`; of some of the
        retained bins at a time, as `matrix`.
        """
        kept = self.settings.cross_channels
        n_groups, _, n_bins = self.group_psd[..., bins].shape
        matrix = np.empty((n_groups, n_bins, len(kept), len(kept)), complex)
        for i, first in enumerate(kept):
            for j, second in enumerate(kept):
                matrix[:, :, i, j] = self.group_cross_psd(first, second, bins)
        return matrix
