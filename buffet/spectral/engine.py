"""The one-pass engine: blocks of samples in, everything linear in the segment spectra out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from itertools import cycle, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.segment_groups import Places, add_to_groups
from buffet.spectral.segment_sums import (
    LOW_BINS,
    SegmentPart,
    SegmentSums,
    constant_transform,
    kept_bins,
)
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from buffet.spectral.whole_matrix import WholeMatrix
from buffet.spectral.window import hann

Array = NDArray[np.float64]
Samples = NDArray[np.floating[Any]]  # in the precision of the transforms
Spectra = NDArray[np.complexfloating[Any, Any]]

# Samples of all channels that one call works on: threads that hand the interpreter over more often
# lose half of what the second core gives.
TASK_SAMPLES = 1 << 19
FEWEST_TASKS = 4  # where there are as many channels
# Pieces of a batch, each copied by itself.
MOST_PIECES = 16
# Segments whose powers single precision sums up one by one.
FEW_SEGMENTS = 32
# Sums of squares, times a segment's samples, that single precision holds: a thousandth of its
# largest number, and its smallest one beside 18 digits.
LARGEST, SMALLEST = 1e35, 1e-20
# Of so many samples one tells where their mean is about.
CENTRE_STRIDE = 64


class SegmentEngine:
    """Accumulates a record block by block; memory does not grow with its length.

    Segments are transformed in batches that begin at the same segments however the record is cut
    into blocks or parts. Each batch is transformed about its own mean, which costs a constant
    alone in bins 0 and 1: no digits are lost to a large mean, and to a drift 6e-8 of what it makes
    within a batch.
    """

    def __init__(
        self, n_channels: int, settings: SegmentSettings, part: SegmentPart | None = None
    ) -> None:
        self.settings = settings
        self._n_channels = n_channels
        self._part = part
        self._sums = SegmentSums.empty(n_channels, settings, part)
        self._whole = None if self._sums.packed is None else WholeMatrix(self._sums.packed)
        self._type: type[np.floating[Any]] = np.float32 if settings.single_precision else np.float64
        self._window = hann(settings.segment_samples).astype(self._type)
        self._seconds: dict[int, list[tuple[int, int]]] = {}  # by channel: pair, other channel
        for (first, second), pair in settings.pairs.items():
            self._seconds.setdefault(first, []).append((pair, second))
        self._crossed = {channel for pair in settings.pairs for channel in pair}
        self._shares = self._shared_out(n_channels)
        self._held: list[Array] = []  # samples that wait for the rest of their batch
        self._n_held = 0
        lanes = settings.workers if settings.workers > 1 else 0
        self._lanes = [ThreadPoolExecutor(1) for _ in range(lanes)]
        self._going: list[Future[None]] = []  # of the batch before, which adds up
        self._batch: _Batch | None = None  # whose channels are being transformed

    def _shared_out(self, n_channels: int) -> list[slice]:
        """Channels that one task takes; the same for any number of workers, as are the results."""
        most = TASK_SAMPLES // (self.settings.batch_segments * self.settings.segment_samples)
        count = max(1, min(most, -(-n_channels // FEWEST_TASKS)))
        return [slice(i, min(i + count, n_channels)) for i in range(0, n_channels, count)]

    def push(self, block: Array) -> None:
        """Take in samples of shape ``(n_channels, n)``, any n; the array must not change later."""
        if not block.shape[1]:
            return
        self._held.append(block)
        self._n_held += block.shape[1]
        hop = self.settings.hop_samples
        step = self.settings.batch_segments * hop
        while self._n_held >= step + hop:
            self._add(self._leading(step + hop), step)
            self._drop(step)
        if len(self._held) > MOST_PIECES:
            self._held = [np.concatenate(self._held, axis=1)]

    def _leading(self, n: int) -> list[Array]:
        """The first n samples of those held."""
        pieces = []
        for piece in self._held:
            pieces.append(piece[:, :n])
            n -= pieces[-1].shape[1]
            if not n:
                break
        return pieces

    def _drop(self, n: int) -> None:
        """Let the first n samples go."""
        self._n_held -= n
        while n and n >= self._held[0].shape[1]:
            n -= self._held.pop(0).shape[1]
        if n:
            self._held[0] = self._held[0][:, n:]

    def _add(self, pieces: Sequence[Array], own: int) -> None:
        """Set one batch of segments going; the first `own` samples enter the moments."""
        sums = self._sums
        batch = _Batch(pieces, own, self.settings, self._type, is_first=not sums.n_samples)
        if not sums.groups.has_room(batch.n_segments):
            self._settle()  # what still knows the groups as they are
        batch.places = sums.groups.place(batch.n_segments) if batch.n_segments else []
        sums.n_samples += own
        batch.transforms = self._each(partial(self._add_channels, batch), self._shares)
        before, self._batch = self._batch, batch
        self._combine(before)

    def _settle(self) -> None:
        """Wait for all that is going."""
        before, self._batch = self._batch, None
        self._combine(before)
        _wait(self._going)

    def _combine(self, batch: _Batch | None) -> None:
        """Set going what needs all channels of a batch, once they are transformed."""
        if batch is None:
            return
        _wait(batch.transforms)
        self._sums.products += batch.products()
        batch.let_go()
        _wait(self._going)
        self._going = []
        if batch.n_segments:
            self._going += self._each(partial(self._add_cross, batch), self._seconds)
            if self._whole is not None:
                self._going += self._whole.add(batch.spectra, batch.low, self._each)

    def _each(self, work: Callable[[Any], None], items: Iterable[Any]) -> list[Future[None]]:
        """Set independent pieces of work going, side by side; at once where there is one worker.

        A piece of every batch takes the same lane, where they are done in order.
        """
        if self._lanes:
            lanes = cycle(self._lanes)
            return [next(lanes).submit(work, item) for item in items]
        for item in items:
            work(item)
        return []

    def _add_channels(self, batch: _Batch, channels: slice) -> None:
        """Moments and transforms of some channels."""
        sums, own = self._sums, batch.own
        samples, centre = batch.about_centre(channels, self._type)
        squares = _squares(samples[:, :own])
        if self._type is np.float32 and not self._fits(samples, squares):
            samples, centre = batch.about_centre(channels, np.float64)
            squares = _squares(samples[:, :own])
        if batch.is_first:
            sums.reference[channels] = centre
        shift = centre - sums.reference[channels]
        total = samples[:, :own] @ np.ones(own, samples.dtype)
        sums.total[channels] += total + own * shift
        sums.squares[channels] += squares + (2 * total + own * shift) * shift
        batch.keep(channels, samples, total, shift)
        if batch.n_segments:
            self._transform(batch, channels, samples, shift)

    def _fits(self, samples: Samples, squares: Array) -> bool:
        """Whether single precision holds the powers of these samples, and 110 dB below them.

        Transforms are bounded by Σ|x w|² ≤ L Σ x²; a logger's mark of a failure may be 1e38.
        """
        most = squares * self.settings.segment_samples
        moves = squares > 0
        return bool(np.all(most < LARGEST) and np.all(most[moves] > SMALLEST * samples.shape[1]))

    def _transform(self, batch: _Batch, channels: slice, samples: Samples, shift: Array) -> None:
        """Segments of some channels, about constants that differ from the reference by `shift`."""
        from scipy.fft import rfft

        sums, groups, kept = self._sums, self._sums.groups, kept_bins(self.settings)
        spectra = rfft(self._cut(samples) * self._window.astype(samples.dtype), axis=2)
        low = batch.low[channels]
        low[:] = spectra[..., :LOW_BINS]
        low += constant_transform(self.settings, shift)[:, None]
        spectra[..., :LOW_BINS] = 0
        values = spectra.view(samples.dtype)
        for start in range(0, spectra.shape[1], FEW_SEGMENTS):
            some = values[:, start : start + FEW_SEGMENTS]
            squares = np.einsum("csb,csb->cb", some, some)
            sums.power[channels] += squares[:, ::2] + squares[:, 1::2]
        power = spectra.real[..., :kept] ** 2
        power += spectra.imag[..., :kept] ** 2
        add_to_groups(groups.power[:, channels], batch.places, power)
        of_low = low.real**2 + low.imag**2
        sums.power[channels, :LOW_BINS] += of_low.sum(axis=1)
        add_to_groups(groups.power[:, channels, :LOW_BINS], batch.places, of_low)
        add_to_groups(groups.low[:, channels], batch.places, low)
        for channel, own in zip(range(channels.start, channels.stop), spectra, strict=True):
            if channel in self._crossed:
                batch.spectra[channel] = own
            elif self._whole is not None:
                batch.spectra[channel] = np.ascontiguousarray(own[:, :kept])

    def _cut(self, samples: Samples) -> Samples:
        """Overlapping segments ``(n_channels, n_segments, length)`` of samples; a view."""
        length, hop = self.settings.segment_samples, self.settings.hop_samples
        shape = (len(samples), samples.shape[1] // hop - 1, length)
        row, size = samples.strides
        return np.ndarray(shape, samples.dtype, samples, strides=(row, hop * size, size))

    def _add_cross(self, batch: _Batch, first: int) -> None:
        """Cross-spectra of one channel and all that it is the first of a pair with."""
        sums, groups, kept = self._sums, self._sums.groups, kept_bins(self.settings)
        # the conjugate of what is wanted, so that it is made once
        spectra, low = np.conj(batch.spectra[first]), np.conj(batch.low[first])
        for pair, second in self._seconds[first]:
            cross = spectra * batch.spectra[second]
            of_low = low * batch.low[second]
            own = slice(pair, pair + 1)
            sums.cross[pair] += np.conj(cross.sum(axis=0))
            sums.cross[pair, :LOW_BINS] += np.conj(of_low.sum(axis=0))
            add_to_groups(groups.cross[:, own], batch.places, np.conj(cross[None, :, :kept]))
            add_to_groups(groups.cross[:, own, :LOW_BINS], batch.places, np.conj(of_low[None]))

    def sums(self) -> SegmentSums:
        """Close the record, or its part, and return what was accumulated; the engine is used up.

        Raises
        ------
        ValueError
            It is a part that did not get its samples.
        """
        inner = self._part is not None and not self._part.is_last
        if self._n_held:
            own = self._n_held - self.settings.hop_samples if inner else self._n_held
            if own > 0:
                self._add(self._held, own)
        self._settle()
        for lane in self._lanes:
            lane.shutdown()
        wanted, found = self._part and self._part.n_segments, self._sums.n_segments
        if wanted is not None and wanted != found:
            raise ValueError(f"a part of {wanted} segments was given samples of {found}")
        return self._sums

    def finish(self) -> SegmentSpectra:
        """Close the record and return its spectra; the engine is used up by it.

        Raises
        ------
        RecordTooShortError
            The record does not fill one segment.
        """
        return self.sums().spectra()


class _Batch:
    """Samples that are transformed together, and what of them is not added up at once."""

    def __init__(
        self,
        pieces: Sequence[Array],
        own: int,
        settings: SegmentSettings,
        kind: type[np.floating[Any]],
        is_first: bool,
    ) -> None:
        n_channels = len(pieces[0])
        self._pieces: Sequence[Array] = pieces
        self.own, self.is_first = own, is_first
        self.n_samples = sum(piece.shape[1] for piece in pieces)
        self.n_segments = max(0, self.n_samples // settings.hop_samples - 1)
        self.places: Places = []
        self.transforms: list[Future[None]] = []
        self.low = np.zeros((n_channels, self.n_segments, LOW_BINS), complex)
        self.spectra: dict[int, Spectra] = {}  # of channels that are combined, without `low`
        self._rows = {channel: row for row, channel in enumerate(settings.cross_channels)}
        n_cross = len(self._rows)
        self._combined = np.empty((n_cross, own), kind)
        self._in_double: dict[int, Samples] = {}  # rows of it that single precision does not hold
        self._total, self._shift = np.zeros((2, n_cross))

    def about_centre(self, channels: slice, kind: type[np.floating[Any]]) -> tuple[Samples, Array]:
        """Samples of some channels about a value near their mean, and that value."""
        pieces = [piece[channels] for piece in self._pieces]
        starts = np.cumsum([0, *(piece.shape[1] for piece in pieces)]).tolist()
        # the same samples however the record was cut
        some = [
            p[:, -start % CENTRE_STRIDE :: CENTRE_STRIDE]
            for p, start in zip(pieces, starts, strict=False)
        ]
        centre = np.concatenate(some, axis=1).mean(axis=1)
        samples = np.empty((len(centre), self.n_samples), kind)
        for piece, (start, stop) in zip(pieces, pairwise(starts), strict=True):
            own = samples[:, start:stop]
            with np.errstate(over="ignore"):  # seen afterwards
                np.subtract(piece, centre[:, None], out=own, casting="same_kind")
        return samples, centre

    def let_go(self) -> None:
        """Of the samples, once all channels are transformed."""
        self._pieces = ()

    def keep(self, channels: slice, samples: Samples, total: Samples, shift: Array) -> None:
        """Remember channels that are combined: samples, sums, distances from the reference."""
        for place, channel in enumerate(range(channels.start, channels.stop)):
            if channel in self._rows:
                row = self._rows[channel]
                if samples.dtype == self._combined.dtype:
                    self._combined[row] = samples[place, : self.own]
                else:
                    self._in_double[row] = samples[place, : self.own]
                self._total[row], self._shift[row] = total[place], shift[place]

    def products(self) -> Array:
        """Summed products of the combined channels' samples, about the reference."""
        crossed = np.outer(self._total, self._shift)
        crossed += crossed.T + self.own * np.outer(self._shift, self._shift)
        rows: list[Samples] = [self._in_double.get(i, row) for i, row in enumerate(self._combined)]
        combined = np.array(rows) if self._in_double else self._combined
        return np.asarray(combined @ combined.T + crossed, float)


def _wait(going: Iterable[Future[None]]) -> None:
    for future in going:
        future.result()


def _squares(samples: Samples) -> Array:
    """Sum of squares of each row; infinite where that does not hold it."""
    with np.errstate(over="ignore", invalid="ignore"):
        return np.array([float(row @ row) for row in samples])
