"""Spikes of one channel: excursions of one to three samples far outside what the signal does.

The meter reads the stream in pieces of its own, so that the sizes of the blocks do not matter,
and keeps a histogram and a bounded list, whatever the length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.channel_meters import Places, Samples, places_at
from ingest.excursions import GROUP, NEAR, REACH, Grouped, excursions

_NEAR, _REACH = NEAR, REACH
_PIECE = 8192  # tops that share a finest step and whose sums are taken together
_STRETCH = 8 * _PIECE  # looked at in one go: calls cost more than the core's cache gives
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
_EVERY = GROUP  # of these samples enter the histogram
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


@dataclass(frozen=True)
class _Standing:
    """Tops of one piece that stand out; one array entry each."""

    tops: NDArray[np.intp]
    spans: Samples
    height: Samples
    level: Samples  # middle of the flanks


class SpikeMeter:
    """Follows excursions that come back within three samples, beside what the signal does."""

    def __init__(self, limit: float = np.inf) -> None:
        self._limit = limit  # samples at or beyond it are clipped, not spikes
        self._held: list[Samples] = []
        self._held_places: list[Places] = []
        self._n_held = 0
        self._n = 0
        self._shift = self._sum = self._squares = 0.0
        self._finest_step = np.inf
        self._last_top = -_REACH  # place of the last candidate, among the finite samples
        self._histogram = np.zeros(_BINS, dtype=np.int64)
        empty = np.zeros(0)
        self._candidates = _Candidates(empty, empty, empty, np.zeros(0, dtype=np.intp))

    def feed(self, samples: Samples, at: Places) -> None:
        """Take the next block of finite samples, (n,), and their places in the record.

        The samples may change afterwards.
        """
        self._n_held += samples.size
        is_enough = self._n_held >= _PIECE + 2 * _REACH
        self._held.append(samples if is_enough else samples.copy())
        self._held_places.append(at)
        if is_enough:
            self._consume(_PIECE)

    def _consume(self, pieces_of: int) -> None:
        """Look at whole pieces of what is held; at all of it where these are of one top."""
        held, places = np.concatenate(self._held), _joined(self._held_places)
        tops = held.size - 2 * _REACH
        tops -= tops % pieces_of
        steps = np.abs(np.diff(held))
        start = 0
        while start < tops:
            stop = min(start + _STRETCH, tops)
            # pieces that hold the finest step so far are looked at alone, so that what a step
            # is does not depend on the blocks
            if self._find_finer(steps[start : stop + 2 * _REACH - 1]) is not None:
                stop = min(start + _PIECE, tops)
                finer = self._find_finer(steps[start : stop + 2 * _REACH - 1])
                self._finest_step = finer or self._finest_step
            reach = slice(start, stop + 2 * _REACH)
            self._look_at(held[reach], places[reach])
            start = stop
        self._held, self._held_places = [held[start:].copy()], [places[start:]]
        self._n_held = held.size - start

    def _find_finer(self, steps: Samples) -> float | None:
        """The finest step, where it is finer than all before."""
        if float(steps.min()) >= self._finest_step:
            return None
        finer = steps[steps < self._finest_step]
        finer = finer[finer > 0.0]
        return float(finer.min()) if finer.size else None

    def _look_at(self, samples: Samples, places: Places) -> None:
        """Pieces; all but the very first begin with samples that were counted before."""
        first = max(self._n - _REACH, _REACH)  # of the tops, among the finite samples
        self._add_moments(samples)
        finest = self._finest_step if np.isfinite(self._finest_step) else 1.0
        grouped = Grouped(samples, -first % GROUP)
        self._add_to_histogram(grouped.spans(finest))
        tops = grouped.may_stand_out(STANDS_OUT_SPANS, finest)
        if not tops.size:
            return
        height, low, high = excursions(samples, tops)
        spans = height / np.maximum(high - low, finest)
        found = np.flatnonzero(spans >= STANDS_OUT_SPANS)
        borders = np.arange(_PIECE, samples.size, _PIECE)
        for one in np.split(found, np.searchsorted(tops[found], borders)):
            if one.size:
                standing = _Standing(tops[one], spans[one], height[one], (low + high)[one] / 2)
                self._keep(samples, places, first, standing)

    def _add_moments(self, samples: Samples) -> None:
        """Sums piece by piece, so that they do not depend on the blocks."""
        if self._n == 0:
            self._shift = float(samples[0])
        centred = samples - self._shift
        start = 0 if self._n == 0 else 2 * _REACH
        for stop in (*range(_PIECE + 2 * _REACH, samples.size, _PIECE), samples.size):
            fresh = centred[start:stop]
            self._sum += float(fresh.sum())
            self._squares += float(fresh @ fresh)
            self._n += fresh.size
            start = stop

    def _add_to_histogram(self, spans: Samples) -> None:
        logs = np.log(spans[spans > 0.0])
        logs -= _LOWEST_LOG
        logs *= _BINS_PER_E
        np.minimum(np.maximum(logs, 0.0, out=logs), _BINS - 1, out=logs)
        self._histogram += np.bincount(logs.astype(np.intp), minlength=_BINS)

    def _keep(self, samples: Samples, places: Places, first: int, found: _Standing) -> None:
        """Samples of one spike that follow one another are one candidate, placed at the first."""
        heads = np.flatnonzero(np.diff(found.tops + first, prepend=self._last_top) > _NEAR)
        self._last_top = int(found.tops[-1]) + first
        if not heads.size:
            return
        spans, height = (
            np.maximum.reduceat(values, heads) for values in (found.spans, found.height)
        )
        tops, level = found.tops[heads], found.level[heads]
        around = samples[tops[:, None] + _REACH + np.arange(-_NEAR, _NEAR + 1)]
        energy = np.sum((around - level[:, None]) ** 2, axis=1)
        more = _Candidates(spans, height, energy, places_at(places, tops + _REACH))
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


def _joined(places: list[Places]) -> Places:
    """Places of blocks one behind the other; a range where nothing is missing between them."""
    ranges = [one for one in places if isinstance(one, range)]
    if len(ranges) == len(places):
        whole = range(ranges[0].start, ranges[-1].stop)
        if len(whole) == sum(map(len, ranges)):
            return whole
    return np.concatenate([np.asarray(one, dtype=np.intp) for one in places])
