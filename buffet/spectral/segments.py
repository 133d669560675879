"""The one-pass engine: blocks of samples in, everything linear in the segment spectra out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from buffet.errors import RecordTooShortError
from buffet.spectral.window import degrees_of_freedom, effective_segments, hann

# Groups of neighbouring segments kept for later functionals; beyond it neighbours are merged in
# pairs. 64 to 128 groups resolve block lengths well and bound the memory whatever the length.
MOST_GROUPS = 128
# Real samples transformed in one call: large enough to amortise the call, small enough to stay
# near the cache (measured flat between 2^18 and 2^21 on two cores).
BATCH_SAMPLES = 1 << 19

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class SegmentSettings:
    """How a record is cut: Hann segments of `segment_samples`, half overlapping."""

    sample_rate_hz: float
    segment_samples: int  # even
    cross_channels: tuple[int, ...] = ()  # channels whose cross-spectra are kept, sorted
    retained_to_hz: float = np.inf  # per-segment spectra are kept up to here
    workers: int = 2

    @property
    def frequency_hz(self) -> Array:
        """All bins, shape ``(n_bins,)``."""
        return np.fft.rfftfreq(self.segment_samples, 1 / self.sample_rate_hz)

    @property
    def retained_bins(self) -> int:
        """Number of bins, from zero up, of which every segment is kept."""
        return int(np.searchsorted(self.frequency_hz, self.retained_to_hz, side="right"))


@dataclass(frozen=True)
class SegmentSpectra:
    """What one pass over a record leaves behind; arrays are locked."""

    settings: SegmentSettings
    n_samples: int
    n_segments: int
    mean: Array  # (n_channels,)
    covariance: Array  # (n_channels, n_channels), about the mean, over all samples
    psd: Array  # (n_channels, n_bins), one-sided, unit² / Hz
    cross: Complex  # (n_pairs, n_bins), one-sided, upper triangle of cross_channels
    group_segments: Array  # (n_groups,), segments in each group
    group_psd: Array  # (n_groups, n_channels, retained_bins)
    group_cross: Complex  # (n_groups, n_pairs, retained_bins)

    def __post_init__(self) -> None:
        for value in vars(self).values():
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

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

        Raises
        ------
        ValueError
            A channel is not among `settings.cross_channels`.
        """
        if first == second:
            return self.psd[first].astype(complex)
        pairs = pair_index(self.settings.cross_channels)
        if (first, second) in pairs:
            return self.cross[pairs[first, second]]
        if (second, first) in pairs:
            return np.conj(self.cross[pairs[second, first]])
        raise ValueError(f"no cross-spectrum kept for channels {first} and {second}")

    def group_matrix(self, bins: int) -> Complex:
        """Cross-spectral matrices of the kept channels, one a group.

        Shape ``(n_groups, bins, n_kept, n_kept)``, kept = `settings.cross_channels`.
        """
        kept = self.settings.cross_channels
        shape = (len(self.group_segments), bins, len(kept), len(kept))
        matrix = np.zeros(shape, complex)
        for position, channel in enumerate(kept):
            matrix[:, :, position, position] = self.group_psd[:, channel, :bins]
        for (first, second), row in pair_index(kept).items():
            i, j = kept.index(first), kept.index(second)
            matrix[:, :, i, j] = self.group_cross[:, row, :bins]
            matrix[:, :, j, i] = np.conj(matrix[:, :, i, j])
        return matrix


def pair_index(channels: tuple[int, ...]) -> dict[tuple[int, int], int]:
    """Row of each pair of the strict upper triangle."""
    pairs = [(a, b) for i, a in enumerate(channels) for b in channels[i + 1 :]]
    return {pair: row for row, pair in enumerate(pairs)}


@dataclass
class _Groups:
    """Sums over neighbouring segments, merged in pairs when there are too many."""

    size: int = 1  # segments in a full group
    counts: list[int] = field(default_factory=list)
    sums: list[list[Array]] = field(default_factory=list)

    def add(self, spectra: list[Array]) -> None:
        """Add one segment's arrays to the group that is being filled."""
        if self.counts and self.counts[-1] < self.size:
            for total, value in zip(self.sums[-1], spectra, strict=True):
                total += value
            self.counts[-1] += 1
            return
        if len(self.counts) == MOST_GROUPS:
            self._merge()
        self.sums.append([np.array(value) for value in spectra])
        self.counts.append(1)

    def _merge(self) -> None:
        merged = []
        for left, right in zip(self.sums[::2], self.sums[1::2], strict=True):
            for total, value in zip(left, right, strict=True):
                total += value
            merged.append(left)
        self.sums = merged
        self.counts = [a + b for a, b in zip(self.counts[::2], self.counts[1::2], strict=True)]
        self.size *= 2


class SegmentEngine:
    """Accumulates a record block by block; memory does not grow with its length.

    A provisional mean (of the first block) is subtracted before the transforms; the record's
    mean, known only at the end, is then taken out of bins 0 and 1 exactly, since a constant
    under a periodic Hann window reaches no other bin.
    """

    def __init__(self, n_channels: int, settings: SegmentSettings) -> None:
        self.settings = settings
        self._n_channels = n_channels
        self._window = hann(settings.segment_samples)
        self._buffer = np.empty((n_channels, 0))
        self._n_samples = self._n_segments = 0
        self._provisional: Array | None = None
        self._sum = np.zeros(n_channels)
        self._products = np.zeros((n_channels, n_channels))
        n_bins = settings.segment_samples // 2 + 1
        pairs = pair_index(settings.cross_channels)
        self._first = [first for first, _ in pairs]
        self._second = [second for _, second in pairs]
        self._power = np.zeros((n_channels, n_bins))
        self._cross = np.zeros((len(self._first), n_bins), complex)
        self._low = np.zeros((n_channels, 2), complex)
        self._groups = _Groups()

    def push(self, block: Array) -> None:
        """Take in samples of shape ``(n_channels, n)``, any n."""
        if block.shape[1] == 0:
            return
        if self._provisional is None:
            self._provisional = block.mean(axis=1)
        centred = block - self._provisional[:, None]
        self._n_samples += block.shape[1]
        self._sum += centred.sum(axis=1)
        self._products += centred @ centred.T
        self._buffer = np.concatenate([self._buffer, centred], axis=1)
        self._consume()

    def _consume(self) -> None:
        length = self.settings.segment_samples
        hop = length // 2
        ready = (self._buffer.shape[1] - length) // hop + 1
        batch = max(1, BATCH_SAMPLES // (length * self._n_channels))
        for start in range(0, ready, batch):
            count = min(batch, ready - start)
            samples = self._buffer[:, start * hop : (start + count - 1) * hop + length]
            self._transform(samples)
        if ready > 0:
            self._buffer = self._buffer[:, ready * hop :].copy()

    def _transform(self, samples: Array) -> None:
        from scipy.fft import rfft

        length = self.settings.segment_samples
        cut = np.lib.stride_tricks.sliding_window_view(samples, length, axis=1)
        cut = cut[:, :: length // 2].transpose(1, 0, 2)
        spectra = rfft(cut * self._window, axis=2, workers=self.settings.workers)
        power = spectra.real**2 + spectra.imag**2
        self._power += power.sum(axis=0)
        self._low += spectra[:, :, :2].sum(axis=0)
        cross = spectra[:, self._first] * np.conj(spectra[:, self._second])
        self._cross += cross.sum(axis=0)
        kept = self.settings.retained_bins
        for segment in range(len(spectra)):
            self._groups.add(
                [power[segment, :, :kept], cross[segment, :, :kept], spectra[segment, :, :2]]
            )
        self._n_segments += len(spectra)

    def finish(self) -> SegmentSpectra:
        """Close the record and return what was accumulated.

        Raises
        ------
        RecordTooShortError
            The record does not fill one segment.
        """
        settings = self.settings
        if self._provisional is None or not self._n_segments:
            raise RecordTooShortError(
                self._n_samples / settings.sample_rate_hz,
                settings.segment_samples / settings.sample_rate_hz,
            )
        offset = self._sum / self._n_samples
        counts = np.array(self._groups.counts, float)
        powers, crosses, lows = (np.array(part) for part in zip(*self._groups.sums, strict=True))
        power, cross = self._without(offset, self._n_segments, self._power, self._cross, self._low)
        group_power, group_cross = self._without(offset, counts, powers, crosses, lows)
        scale = self._density_scale()
        kept = settings.retained_bins
        per_group = counts[:, None, None]
        return SegmentSpectra(
            settings,
            self._n_samples,
            self._n_segments,
            self._provisional + offset,
            self._products / self._n_samples - np.outer(offset, offset),
            power * scale / self._n_segments,
            cross * scale / self._n_segments,
            counts,
            group_power * scale[:kept] / per_group,
            group_cross * scale[:kept] / per_group,
        )

    def _without(
        self, offset: Array, count: int | Array, power: Array, cross: Complex, low: Complex
    ) -> tuple[Array, Complex]:
        """Sums of |X - cW|² and (X - cW)(Y - dW)*, where cW is the transform of a constant."""
        length = self.settings.segment_samples
        bins = min(2, power.shape[-1])
        constant = offset[:, None] * np.array([length / 2, -length / 4])[:bins]
        number = np.asarray(count)[..., None, None]
        low = low[..., :bins]
        power, cross = power.copy(), cross.copy()
        power[..., :bins] += number * constant**2 - 2 * low.real * constant
        a, b = constant[self._first], constant[self._second]
        x, y = low[..., self._first, :], low[..., self._second, :]
        cross[..., :bins] += number * a * b - x * b - a * np.conj(y)
        return power, cross

    def _density_scale(self) -> Array:
        """Factor from |X|² to a one-sided density (Hann power, zero and Nyquist counted once)."""
        length = self.settings.segment_samples
        scale = np.full(
            length // 2 + 1, 2 / (self.settings.sample_rate_hz * np.sum(self._window**2))
        )
        scale[0] /= 2
        scale[-1] /= 2
        return scale
