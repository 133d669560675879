"""What adds up over segments, and how sums become spectra about the record's mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.errors import RecordTooShortError
from buffet.spectral.segment_groups import SegmentGroups, group_size, joined
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from buffet.spectral.whole_matrix import pack
from buffet.spectral.window import hann

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LOW_BINS = 2  # that a constant reaches under a periodic Hann window


@dataclass(frozen=True)
class SegmentPart:
    """Segments that one of several engines takes of a record; samples of its last one overlap."""

    first_segment: int
    n_segments: int
    record_segments: int  # of the whole record
    settings: SegmentSettings

    @property
    def is_last(self) -> bool:
        """Whether what follows the record's last whole segment is its own too."""
        return self.first_segment + self.n_segments == self.record_segments

    @property
    def first_sample(self) -> int:
        """Of the record."""
        return self.first_segment * self.settings.hop_samples

    @property
    def stop_sample(self) -> int | None:
        """The first sample of the record that it does not need; None: it needs all."""
        if self.is_last:
            return None
        return (self.first_segment + self.n_segments + 1) * self.settings.hop_samples


def record_parts(settings: SegmentSettings, n_samples: int, count: int) -> tuple[SegmentPart, ...]:
    """A record in at most `count` parts of about the same length, in order.

    Parts begin where batches do, so that their sums are those of a single pass to the last digits.

    Raises
    ------
    RecordTooShortError
        The record does not fill one segment.
    """
    segments = n_samples // settings.hop_samples - 1
    if segments < 1:
        raise too_short(settings, n_samples)
    batches = -(-segments // settings.batch_segments)
    edges = np.linspace(0, batches, min(count, batches) + 1).astype(int) * settings.batch_segments
    edges[-1] = segments
    return tuple(
        SegmentPart(first, stop - first, segments, settings)
        for first, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    )


def too_short(settings: SegmentSettings, n_samples: int) -> RecordTooShortError:
    """Of a record that does not fill one segment."""
    return RecordTooShortError(
        n_samples / settings.sample_rate_hz, settings.segment_samples / settings.sample_rate_hz
    )


@dataclass
class SegmentSums:
    """Sums over the segments and samples of a record, or of one of its parts.

    About `reference`, near the mean: the record's own is known at its end alone, and a constant
    under a periodic Hann window reaches bins 0 and 1 and no other, so that it is taken out there.
    """

    settings: SegmentSettings
    reference: Array  # (n_channels,)
    groups: SegmentGroups
    total: Array  # (n_channels,), of the samples
    squares: Array  # (n_channels,)
    products: Array  # (n_cross, n_cross)
    power: Array  # (n_channels, n_bins), Σ|X|²
    cross: Complex  # (n_pairs, n_bins), Σ X conj(Y)
    packed: Array | None  # (retained_bins, n_channels, n_channels), see `WholeMatrix`
    n_samples: int = 0

    @classmethod
    def empty(
        cls, n_channels: int, settings: SegmentSettings, part: SegmentPart | None = None
    ) -> SegmentSums:
        """Before the first sample."""
        kept, n_cross = kept_bins(settings), len(settings.cross_channels)
        n_pairs, n_bins = len(settings.pairs), settings.segment_samples // 2 + 1
        first, size = (
            (0, 1) if part is None else (part.first_segment, group_size(part.record_segments))
        )
        whole = (settings.retained_bins, n_channels, n_channels)
        return cls(
            settings,
            np.zeros(n_channels),
            SegmentGroups(n_channels, n_pairs, kept, first, size),
            np.zeros(n_channels),
            np.zeros(n_channels),
            np.zeros((n_cross, n_cross)),
            np.zeros((n_channels, n_bins)),
            np.zeros((n_pairs, n_bins), complex),
            np.zeros(whole) if settings.whole_matrix else None,
        )

    @property
    def n_segments(self) -> int:
        """So far."""
        return int(self.groups.counts.sum())

    def refer_to(self, reference: Array) -> None:
        """Carry all sums over to those about another constant, in place."""
        shift = self.reference - reference  # what every sample gains
        own = shift[list(self.settings.cross_channels)]
        sums = self.total[list(self.settings.cross_channels)]
        self.squares += 2 * shift * self.total + self.n_samples * shift**2
        self.products += np.outer(own, sums) + np.outer(sums, own)
        self.products += self.n_samples * np.outer(own, own)
        self.total += self.n_samples * shift
        self._shift_low(shift)
        self.reference = reference

    def _shift_low(self, shift: Array) -> None:
        """The lowest bins of transforms that all gain that of a constant."""
        groups = self.groups
        constant = constant_transform(self.settings, shift)
        low, counts = groups.low, groups.counts[:, None, None]
        if self.packed is not None:
            of_all, n = low.sum(axis=0), self.n_segments
            for place in range(min(LOW_BINS, len(self.packed))):
                a, x = constant[:, place], of_all[:, place]
                added = np.outer(x, a)
                gained = added + np.conj(added.T) + n * np.outer(a, a)
                self.packed[place] += pack(np.asarray(gained, complex))
        first, second = pair_channels(self.settings)
        a, b = constant[first], constant[second]
        x, y = low[:, first], low[:, second]
        cross = counts * a * b + x * b + a * np.conj(y)
        power = counts * constant**2 + 2 * low.real * constant
        self.cross[:, :LOW_BINS] += cross.sum(axis=0)
        self.power[:, :LOW_BINS] += power.sum(axis=0)
        groups.cross[..., :LOW_BINS] += cross
        groups.power[..., :LOW_BINS] += power
        low += counts * constant

    def spectra(self) -> SegmentSpectra:
        """What they say of the record about its own mean; the sums are used up by it.

        Raises
        ------
        RecordTooShortError
            The record does not fill one segment.
        """
        settings, groups = self.settings, self.groups
        if not len(groups.counts):
            raise too_short(settings, self.n_samples)
        mean = self.reference + self.total / self.n_samples
        self.refer_to(mean)
        counts, n = groups.counts.astype(float), self.n_segments
        scale, kept = density_scale(settings), settings.retained_bins
        per_group = scale[:kept] / counts[:, None, None]
        group_power, group_cross = groups.power[..., :kept], groups.cross[..., :kept]
        if self.packed is not None:
            self.packed *= (scale / n)[:kept, None, None]
        return SegmentSpectra(
            settings,
            self.n_samples,
            n,
            mean,
            self.squares / self.n_samples,
            self.products / self.n_samples,
            np.multiply(self.power, scale / n, out=self.power),
            np.multiply(self.cross, scale / n, out=self.cross),
            counts,
            np.multiply(group_power, per_group, out=group_power),
            np.multiply(group_cross, per_group, out=group_cross),
            groups.low[:, :, 0].real / (counts[:, None] * settings.segment_samples / 2),
            self.packed,
        )


def merged(parts: Sequence[SegmentSums]) -> SegmentSums:
    """Sums over a record from those over its parts, in order; they are used up by it.

    Raises
    ------
    ValueError
        There is none.
    """
    if not parts:
        raise ValueError("no parts of a record to merge")
    first = parts[0]
    for part in parts[1:]:
        part.refer_to(first.reference)
        for name in ("total", "squares", "products", "power", "cross", "n_samples"):
            setattr(first, name, getattr(first, name) + getattr(part, name))
        if first.packed is not None and part.packed is not None:
            first.packed += part.packed
    first.groups = joined([part.groups for part in parts])
    return first


def kept_bins(settings: SegmentSettings) -> int:
    """Lowest bins that groups keep: those wanted, and those that a constant reaches."""
    return max(settings.retained_bins, LOW_BINS)


def pair_channels(settings: SegmentSettings) -> tuple[list[int], list[int]]:
    """First and second channels of all kept pairs."""
    return [first for first, _ in settings.pairs], [second for _, second in settings.pairs]


def constant_transform(settings: SegmentSettings, constant: Array) -> Array:
    """Transform of constants ``(n,)`` under the window in the lowest bins, ``(n, LOW_BINS)``."""
    length = settings.segment_samples
    return np.asarray(constant[:, None] * np.array([length / 2, -length / 4]))


def density_scale(settings: SegmentSettings) -> Array:
    """Factor from |X|² to a one-sided density (Hann power, zero and Nyquist counted once)."""
    length = settings.segment_samples
    power = np.sum(hann(length) ** 2)
    scale = np.full(length // 2 + 1, 2 / (settings.sample_rate_hz * power))
    scale[0] /= 2
    scale[-1] /= 2
    return scale
