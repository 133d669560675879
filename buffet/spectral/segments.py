"""The one-pass engine: blocks of samples in, everything linear in the segment spectra out."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from buffet.errors import RecordTooShortError
from buffet.spectral.locking import lock
from buffet.spectral.segment_groups import Places, SegmentGroups
from buffet.spectral.whole_matrix import WholeMatrix, unpacked, unpacked_pair
from buffet.spectral.window import degrees_of_freedom, effective_segments, hann

# Samples of one channel transformed in one call: large enough to amortise the call, small enough
# to stay near a core's cache (measured flat between 2^16 and 2^19).
BATCH_SAMPLES = 1 << 16
# The same where the whole matrix is wanted, whose products are the faster the more segments they
# sum; spectra of 64 channels take 70 MB.
MATRIX_BATCH_SAMPLES = 1 << 17
# Bins whose matrices are unpacked at a time: 64 channels take 17 MB.
UNPACKED_BINS = 256

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def few_bins(n_bins: int) -> Iterator[slice]:
    """The first bins, as many at a time as matrices are unpacked of."""
    for start in range(0, n_bins, UNPACKED_BINS):
        yield slice(start, min(start + UNPACKED_BINS, n_bins))


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
        return {pair: row for row, pair in enumerate((*among, *self.more_pairs))}


@dataclass(frozen=True)
class SegmentSpectra:
    """What one pass over a record leaves behind; arrays are locked."""

    settings: SegmentSettings
    n_samples: int
    n_segments: int
    mean: Array  # (n_channels,)
    covariance: Array  # (n_channels, n_channels), about the mean, over all samples
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

    def group_cross_psd(self, first: int, second: int, bins: int) -> Complex:
        """The same of each group, shape ``(n_groups, bins)``.

        Raises
        ------
        ValueError
            The pair is not among `settings.pairs`.
        """
        every = self._cross(self.group_psd, self.group_cross, first, second)
        return np.asarray(every[:, :bins])

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

    def group_matrix(self, bins: int) -> Complex:
        """Cross-spectral matrices of the kept channels, one a group.

        Shape ``(n_groups, bins, n_kept, n_kept)``, kept = `settings.cross_channels`.
        """
        kept = self.settings.cross_channels
        shape = (len(self.group_segments), bins, len(kept), len(kept))
        matrix = np.empty(shape, complex)
        for i, first in enumerate(kept):
            for j, second in enumerate(kept):
                matrix[:, :, i, j] = self.group_cross_psd(first, second, bins)
        return matrix


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
        self._held = 0  # samples in the buffer that segments still need
        self._n_samples = self._n_segments = 0
        self._provisional: Array | None = None
        self._sum = np.zeros(n_channels)
        self._products = np.zeros((n_channels, n_channels))
        n_bins = settings.segment_samples // 2 + 1
        pairs = settings.pairs
        self._crossed = {channel for pair in pairs for channel in pair}
        self._whole: WholeMatrix | None = None
        self._batch = max(1, BATCH_SAMPLES // settings.segment_samples)
        if settings.whole_matrix:
            self._crossed = set(range(n_channels))
            self._whole = WholeMatrix(n_channels, settings.retained_bins)
            self._batch = max(1, MATRIX_BATCH_SAMPLES // settings.segment_samples)
        self._first = [first for first, _ in pairs]
        self._second = [second for _, second in pairs]
        self._power = np.zeros((n_channels, n_bins))
        self._cross = np.zeros((len(pairs), n_bins), complex)
        self._low = np.zeros((n_channels, 2), complex)
        self._groups = SegmentGroups(n_channels, len(pairs), settings.retained_bins)
        self._pool = ThreadPoolExecutor(max(1, settings.workers))

    def push(self, block: Array) -> None:
        """Take in samples of shape ``(n_channels, n)``, any n."""
        n = block.shape[1]
        if n == 0:
            return
        if self._provisional is None:
            self._provisional = block.mean(axis=1)
        self._make_room(n)
        centred = self._buffer[:, self._held : self._held + n]
        np.subtract(block, self._provisional[:, None], out=centred)
        self._held += n
        self._n_samples += n
        self._sum += centred.sum(axis=1)
        self._products += centred @ centred.T
        self._consume()

    def _make_room(self, n: int) -> None:
        """Space for n samples behind those held."""
        if self._buffer.shape[1] < self._held + n:
            larger = np.empty((self._n_channels, self._held + n + self.settings.segment_samples))
            larger[:, : self._held] = self._buffer[:, : self._held]
            self._buffer = larger

    def _consume(self) -> None:
        length = self.settings.segment_samples
        hop = length // 2
        ready = (self._held - length) // hop + 1
        start = 0
        while start < ready:
            count = min(self._batch, ready - start, self._groups.room())
            samples = self._buffer[:, start * hop : (start + count - 1) * hop + length]
            self._transform(samples)
            start += count
        if ready > 0:
            rest = self._held - ready * hop
            self._buffer[:, :rest] = self._buffer[:, ready * hop : self._held]
            self._held = rest

    def _transform(self, samples: Array) -> None:
        length = self.settings.segment_samples
        cut = np.lib.stride_tricks.sliding_window_view(samples, length, axis=1)
        cut = cut[:, :: length // 2]
        places = self._groups.place(cut.shape[1])
        self._n_segments += cut.shape[1]
        add_power = partial(self._add_power, cut, places)
        spectra = list(self._pool.map(add_power, range(self._n_channels)))
        add_cross = partial(self._add_cross, spectra, places)
        list(self._pool.map(add_cross, range(len(self._first))))
        if self._whole is not None:
            self._whole.add([one for one in spectra if one is not None], self._pool)

    def _add_power(self, cut: Array, places: Places, channel: int) -> Complex | None:
        """Transform one channel's segments; they are returned where cross-spectra need them."""
        from scipy.fft import rfft

        spectra = rfft(cut[channel] * self._window, axis=1)
        power = spectra.real**2 + spectra.imag**2
        self._power[channel] += power.sum(axis=0)
        self._low[channel] += spectra[:, :2].sum(axis=0)
        kept = self.settings.retained_bins
        for group, segments in places:
            self._groups.power[group, channel] += power[segments, :kept].sum(axis=0)
            self._groups.low[group, channel] += spectra[segments, :2].sum(axis=0)
        return spectra if channel in self._crossed else None

    def _add_cross(self, spectra: list[Complex | None], places: Places, pair: int) -> None:
        first, second = spectra[self._first[pair]], spectra[self._second[pair]]
        assert first is not None
        assert second is not None
        cross = first * np.conj(second)
        self._cross[pair] += cross.sum(axis=0)
        kept = self.settings.retained_bins
        for group, segments in places:
            self._groups.cross[group, pair] += cross[segments, :kept].sum(axis=0)

    def finish(self) -> SegmentSpectra:
        """Close the record and return what was accumulated; the engine is used up by it.

        Raises
        ------
        RecordTooShortError
            The record does not fill one segment.
        """
        self._pool.shutdown()
        settings = self.settings
        if self._provisional is None or not self._n_segments:
            raise RecordTooShortError(
                self._n_samples / settings.sample_rate_hz,
                settings.segment_samples / settings.sample_rate_hz,
            )
        offset = self._sum / self._n_samples
        groups, counts = self._groups, self._groups.counts.astype(float)
        self._take_out(offset, self._n_segments, self._power, self._cross, self._low)
        self._take_out(offset, counts, groups.power, groups.cross, groups.low)
        scale = self._density_scale()
        per_group = scale[: settings.retained_bins] / counts[:, None, None]
        return SegmentSpectra(
            settings,
            self._n_samples,
            self._n_segments,
            self._provisional + offset,
            self._products / self._n_samples - np.outer(offset, offset),
            np.multiply(self._power, scale / self._n_segments, out=self._power),
            np.multiply(self._cross, scale / self._n_segments, out=self._cross),
            counts,
            np.multiply(groups.power, per_group, out=groups.power),
            np.multiply(groups.cross, per_group, out=groups.cross),
            groups.low[:, :, 0].real / (counts[:, None] * self._window.sum()) - offset,
            self._packed(offset, scale / self._n_segments),
        )

    def _packed(self, offset: Array, scale: Array) -> Array | None:
        """The whole matrix about the record's mean as densities."""
        if self._whole is None:
            return None
        packed = self._whole.packed
        bins = min(2, len(packed))
        self._whole.take_out(self._constant(offset, bins), self._n_segments, self._low[:, :bins])
        return np.multiply(packed, scale[: len(packed), None, None], out=packed)

    def _take_out(
        self, offset: Array, count: int | Array, power: Array, cross: Complex, low: Complex
    ) -> None:
        """From sums of |X|² and X Y* to those of |X - cW|² and (X - cW)(Y - dW)*, in place.

        cW is the transform of a constant, `offset`, under the window.
        """
        bins = min(2, power.shape[-1])
        constant = self._constant(offset, bins)
        number = np.asarray(count)[..., None, None]
        low = low[..., :bins]
        power[..., :bins] += number * constant**2 - 2 * low.real * constant
        a, b = constant[self._first], constant[self._second]
        x, y = low[..., self._first, :], low[..., self._second, :]
        cross[..., :bins] += number * a * b - x * b - a * np.conj(y)

    def _constant(self, offset: Array, bins: int) -> Array:
        """Transform of a constant under the window, ``(n_channels, bins)``; bins 2 at most."""
        length = self.settings.segment_samples
        return np.asarray(offset[:, None] * np.array([length / 2, -length / 4])[:bins])

    def _density_scale(self) -> Array:
        """Factor from |X|² to a one-sided density (Hann power, zero and Nyquist counted once)."""
        length = self.settings.segment_samples
        scale = np.full(
            length // 2 + 1, 2 / (self.settings.sample_rate_hz * np.sum(self._window**2))
        )
        scale[0] /= 2
        scale[-1] /= 2
        return scale
