"""Spikes of one channel: excursions of one to three samples far outside what the signal does.

The meter reads the stream in pieces of its own, so that the sizes of the blocks do not matter,
and keeps a histogram and a bounded list, whatever the length.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.channel_meters import Places, Samples

# Samples on either side of a spike's top that a spike of three samples may reach, and cannot.
_NEAR, _BESIDE = 2, 3
# Samples on either side, beyond those of the spike, whose span is what the signal does there.
_FLANK = 16
_REACH = _BESIDE + _FLANK
_PIECE = 8192  # samples looked at in one go: they stay near the core
# Spans of the flanks that a spike must stand out by, at least. Simulated: none of 5,000 records of
# 30,000 samples of Gaussian noise had a spike; of spikes of 12 standard deviations planted in such
# records 58 in 100 are seen, of 15 91 in 100.
STANDS_OUT_SPANS = 2.25
# Beyond that the signal's own tail counts: excursions in spans at these shares of all of them give
# a law ∝ (ln 1/share)^c, carried to one false alarm in a thousand records; what this exceeds the
# least by counts double, since tails heavier than the law's are common.
_TAIL_SHARES = (0.1, 0.02)
_FALSE_ALARMS = 1e-3
_TAIL_FACTOR = 2.0
_FEWEST_EXCURSIONS = 50  # fewer say nothing of a tail
_EVERY = 4  # of these samples enter the histogram
_BINS_PER_E = 20  # of the histogram over ln(spans), which reaches from e^-10 to e^10
_LOWEST_LOG, _BINS = -10.0, 400
_MOST_CANDIDATES = 4096  # kept; beyond it the half that stands out least is let go


@dataclass(frozen=True)
class Spikes:
    """What was found."""

    count: int
    first: int  # index in the record
    largest: float  # excursion, raw units
    deviations: float  # the same in standard deviations of the channel
    share: float  # of the variance


@dataclass(frozen=True)
class _Candidates:
    """Excursions that stand out by the least at least; one array entry each."""

    spans: Samples  # over the flanks' span
    height: Samples
    energy: Samples  # squares about the middle of the flanks, summed
    place: NDArray[np.intp]

    def chosen(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> _Candidates:
        return _Candidates(*(values[which] for values in vars(self).values()))

    def with_more(self, more: _Candidates) -> _Candidates:
        both = zip(vars(self).values(), vars(more).values(), strict=True)
        return _Candidates(*(np.concatenate(pair) for pair in both))


class SpikeMeter:
    """Follows excursions that come back within three samples, beside what the signal does."""

    def __init__(self, limit: float = np.inf) -> None:
        self._limit = limit  # samples at or beyond it are clipped, not spikes
        self._held: list[Samples] = []
        self._held_places: list[NDArray[np.intp]] = []
        self._n_held = 0
        self._n = 0
        self._shift = self._sum = self._squares = 0.0
        self._finest_step = np.inf
        self._last_top = -_REACH  # place of the last candidate, among the finite samples
        self._histogram = np.zeros(_BINS, dtype=np.int64)
        empty = np.zeros(0)
        self._candidates = _Candidates(empty, empty, empty, np.zeros(0, dtype=np.intp))

    def feed(self, samples: Samples, at: Places) -> None:
        """Take the next block of finite samples, (n,), and their places in the record."""
        self._held.append(samples)
        places = np.arange(at.start, at.stop) if isinstance(at, range) else at
        self._held_places.append(places)
        self._n_held += samples.size
        if self._n_held >= _PIECE + 2 * _REACH:
            self._consume(_PIECE)

    def _consume(self, least: int) -> None:
        """Look at whole pieces of what is held, or at all of it where `least` is 1."""
        held, places = np.concatenate(self._held), np.concatenate(self._held_places)
        start = 0
        while held.size - start >= least + 2 * _REACH:
            stop = min(start + _PIECE + 2 * _REACH, held.size)
            self._look_at(held[start:stop], places[start:stop])
            start = stop - 2 * _REACH
        self._held, self._held_places = [held[start:].copy()], [places[start:].copy()]
        self._n_held = held.size - start

    def _look_at(self, samples: Samples, places: NDArray[np.intp]) -> None:
        """One piece; all but the first begin with samples that were counted before."""
        fresh = samples if self._n == 0 else samples[2 * _REACH :]
        if self._n == 0:
            self._shift = float(samples[0])
        first = max(self._n - _REACH, _REACH)  # of the tops, among the finite samples
        self._n += fresh.size
        self._sum += float(np.sum(fresh - self._shift))
        self._squares += float(np.sum((fresh - self._shift) ** 2))
        steps = np.abs(np.diff(samples))
        self._finest_step = min(self._finest_step, float(np.min(steps[steps > 0], initial=np.inf)))
        height, low, high = _excursions(samples)
        finest = self._finest_step if np.isfinite(self._finest_step) else 1.0
        spans = height / np.maximum(high - low, finest)
        self._add_to_histogram(spans[-first % _EVERY :: _EVERY])
        tops = np.flatnonzero(spans >= STANDS_OUT_SPANS)
        if tops.size:
            self._keep(samples, places, first, tops, spans, (low + high) / 2, height)

    def _add_to_histogram(self, spans: Samples) -> None:
        logs = np.log(spans[spans > 0.0])
        bins = np.clip(((logs - _LOWEST_LOG) * _BINS_PER_E).astype(np.intp), 0, _BINS - 1)
        self._histogram += np.bincount(bins, minlength=_BINS)

    def _keep(
        self,
        samples: Samples,
        places: NDArray[np.intp],
        first: int,
        tops: NDArray[np.intp],
        spans: Samples,
        level: Samples,
        height: Samples,
    ) -> None:
        """Samples of one spike that follow one another are one candidate, placed at the first."""
        heads = np.flatnonzero(np.diff(tops + first, prepend=self._last_top) > _NEAR)
        self._last_top = int(tops[-1]) + first
        if not heads.size:
            return
        spans, height = (np.maximum.reduceat(values[tops], heads) for values in (spans, height))
        tops = tops[heads]
        around = samples[tops[:, None] + _REACH + np.arange(-_NEAR, _NEAR + 1)]
        energy = np.sum((around - level[tops, None]) ** 2, axis=1)
        more = _Candidates(spans, height, energy, places[tops + _REACH])
        unclipped = np.abs(around).max(axis=1) < self._limit
        kept = self._candidates.with_more(more.chosen(unclipped))
        if kept.spans.size > _MOST_CANDIDATES:
            largest = np.argsort(-kept.spans, kind="stable")[: _MOST_CANDIDATES // 2]
            kept = kept.chosen(np.sort(largest))
        self._candidates = kept

    def spikes(self) -> Spikes | None:
        """What stands out of all samples fed; None where nothing does."""
        if self._held:
            self._consume(1)
        if self._n == 0:
            return None
        mean = self._sum / self._n
        variance = self._squares / self._n - mean**2
        # Goring & Nikora 2002, J. Hydraul. Eng. 128(1), 117: of n Gaussian values the largest is
        # expected at √(2 ln n) standard deviations, their universal threshold
        far = np.sqrt(2.0 * np.log(self._n) * max(variance, 0.0))
        candidates = self._candidates
        found = candidates.chosen(
            (candidates.height > far) & (candidates.spans >= self._least_spans())
        )
        if variance <= 0.0 or not found.height.size:
            return None
        largest = float(found.height.max())
        return Spikes(
            found.height.size,
            int(found.place[0]),
            largest,
            largest / float(np.sqrt(variance)),
            min(float(found.energy.sum()) / (self._n * variance), 1.0),
        )

    def _least_spans(self) -> float:
        """Spans beyond which the signal's own tail gives no excursions."""
        total = int(self._histogram.sum())
        if total < _FEWEST_EXCURSIONS:
            return STANDS_OUT_SPANS
        below = np.cumsum(self._histogram) / total
        near, far = (
            _LOWEST_LOG + (np.searchsorted(below, 1.0 - share) + 0.5) / _BINS_PER_E
            for share in _TAIL_SHARES
        )
        rare = [np.log(1.0 / share) for share in _TAIL_SHARES]
        power = (far - near) / np.log(rare[1] / rare[0])
        wanted = np.log(total * _EVERY / _FALSE_ALARMS)
        reached = float(np.exp(far) * (wanted / rare[1]) ** power)
        return STANDS_OUT_SPANS + _TAIL_FACTOR * max(reached - STANDS_OUT_SPANS, 0.0)


def _foot(beside: Callable[[int], Samples], farther: np.ufunc, nearer: np.ufunc) -> Samples:
    """What a top must pass: whichever samples next to it a spike of three cannot hold all of.

    Those three away; and both two away, or the one before, or the one after.
    """
    inner = nearer(farther(beside(-2), beside(2)), nearer(beside(-1), beside(1)))
    return np.asarray(farther(farther(beside(-_BESIDE), beside(_BESIDE)), inner))


def _excursions(samples: Samples) -> tuple[Samples, Samples, Samples]:
    """Of all samples with full flanks: height above or below, lowest and highest of the flanks."""
    n = samples.size - 2 * _REACH

    def beside(offset: int) -> Samples:
        return samples[_REACH + offset : _REACH + offset + n]

    top = beside(0)
    above = top - _foot(beside, np.maximum, np.minimum)
    below = _foot(beside, np.minimum, np.maximum) - top
    low, high = samples, samples
    width = 1
    while width < _FLANK:
        low = np.minimum(low[:-width], low[width:])
        high = np.maximum(high[:-width], high[width:])
        width *= 2
    before, after = slice(0, n), slice(_REACH + _BESIDE + 1, _REACH + _BESIDE + 1 + n)
    return (
        np.maximum(np.maximum(above, below), 0.0),
        np.minimum(low[before], low[after]),
        np.maximum(high[before], high[after]),
    )
