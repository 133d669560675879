"""What one channel's raw samples show as they stream by: lost, clipped, flat or held ones.

Each meter takes finite samples block by block and keeps a few numbers, whatever the length.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]
Places = range | NDArray[np.intp]  # of samples in the record


def places_at(places: Places, which: NDArray[np.intp]) -> NDArray[np.intp]:
    """Some of the places, by their indices."""
    return places.start + which if isinstance(places, range) else places[which]


# A code of the converter this close below full scale is its last: converters rated ±10 V end at
# 9.9997 V or, with a margin for calibration, a little lower (common practice, no source).
FULL_SCALE_SHARE = 0.999
# Equal samples in a row that make a flat top; two happen by chance in any counted signal.
FLAT_RUN = 3
# Samples at the extreme against those at the next value below it. The crest of a slow, coarsely
# counted sine has at most √2 / (2 − √2) = 2.4; a clipped signal has its whole tail there.
PILE_UP_RATIO = 4.0
# So many samples at the extreme, now and then two in a row, stand out too: noise clipped at its
# peaks. A sine sampled in step with itself reaches its crest often, but never twice in a row.
PILE_UP_SAMPLES = 20
# Hold times are kept up to this length; longer ones count as this long.
_LONGEST_HOLD = 10_000
# The shortest holds of a sensor that is read n times per value are n samples long; those of a
# free-running converter are one or two, since noise makes its last digit flicker.
_SHORT_HOLD_QUANTILE = 0.1
HELD_SAMPLES = 3
# Share of the holds that must be about a whole multiple of the usual one (two equal values in a
# row make one hold of twice the length), and how closely.
_REGULAR_SHARE = 0.7
_REGULAR_TOLERANCE = 0.1
_FEWEST_HOLDS = 10  # fewer say nothing about regularity
# A value that lasts this many times longer than usual, and this many samples, is stuck: of 100,000
# holds that end by chance, the longest is twelve times the mean (ln 100,000).
STUCK_HOLDS = 20.0
STUCK_SAMPLES = 50


class MissingMeter:
    """Counts samples that are missing or not finite, and the longest gap of them."""

    def __init__(self) -> None:
        self.n = 0
        self.missing = 0
        self.longest = 0
        self._running = 0  # length of the gap that reaches the end of the last block

    def feed_whole(self, n: int) -> None:
        """Take a block of n samples of which none is missing."""
        self.n += n
        self._running = 0

    def feed(self, is_missing: NDArray[np.bool_]) -> None:
        """Take the next block, (n,) true where there is no sample."""
        self.n += is_missing.size
        self.missing += int(np.count_nonzero(is_missing))
        runs, self._running = _runs(is_missing, self._running)
        self.longest = max([self.longest, self._running, *runs])


class ClipMeter:
    """Counts samples at or beyond full scale."""

    def __init__(self, full_scale: float | None) -> None:
        self.limit = np.inf if full_scale is None else FULL_SCALE_SHARE * abs(full_scale)
        self._n = 0
        self.count = 0
        self.first: int | None = None  # index of the first one

    def reaches(self, value: float) -> bool:
        """Whether a value is at or beyond full scale."""
        return abs(value) >= self.limit

    def pass_by(self, n: int) -> None:
        """Take a block of n samples that are all below full scale."""
        self._n += n

    def feed(self, samples: Samples) -> None:
        """Take the next block as recorded, (n,), NaN where missing."""
        at_limit = np.abs(samples) >= self.limit
        count = int(np.count_nonzero(at_limit))
        if count and self.first is None:
            self.first = self._n + int(np.argmax(at_limit))
        self.count += count
        self._n += samples.size


class CrestMeter:
    """Follows the largest value of a channel, and whether it looks cut off there."""

    def __init__(self, *, upside_down: bool = False) -> None:
        """Turn all values, for the smallest one, where `upside_down`."""
        self._upside_down = upside_down
        self.top = self._second = -np.inf
        self._at_top = self._at_second = 0
        self._n = self._running = self._longest = 0

    def feed(self, samples: Samples, largest: float) -> None:
        """Take the next block of finite samples, (n,), of which one is the largest, or smallest."""
        self._n += samples.size
        if (-largest if self._upside_down else largest) < self._second:
            self._running = 0
            return
        samples = -samples if self._upside_down else samples
        self._rank(samples, float(samples.max()))
        runs, self._running = _runs(samples == self.top, self._running)
        self._longest = max([self._longest, self._running, *runs])

    def _rank(self, samples: Samples, largest: float) -> None:
        """Keep the two largest values so far and how often they have occurred."""
        below = samples[samples < largest]
        counts = {self._second: self._at_second, self.top: self._at_top}
        counts[largest] = counts.get(largest, 0) + samples.size - below.size
        if below.size:
            next_largest = float(below.max())
            count = int(np.count_nonzero(below == next_largest))
            counts[next_largest] = counts.get(next_largest, 0) + count
        if largest > self.top:
            self._running = self._longest = 0
        self.top, self._second = sorted({*counts, -np.inf}, reverse=True)[:2]
        self._at_top, self._at_second = counts[self.top], counts.get(self._second, 0)

    @property
    def second(self) -> float:
        """Largest value but one; minus infinity where there is only one."""
        return self._second

    @property
    def at_top(self) -> int:
        """Samples at the largest value."""
        return self._at_top

    @property
    def flat_samples(self) -> int:
        """Samples at the extreme; zero where the crest looks natural."""
        in_noise = self._longest > 1 and self._at_top >= PILE_UP_SAMPLES
        stands_out = self._longest >= FLAT_RUN or in_noise
        piled_up = self._at_top >= PILE_UP_RATIO * max(self._at_second, 1)
        is_crest = 2 * self._at_top < self._n  # else: a signal that seldom leaves one value
        return self._at_top if stands_out and piled_up and is_crest else 0


class Stretch(NamedTuple):
    """Samples in a row that are all equal."""

    length: int = 0  # samples, missing ones within left out
    first: int = 0  # index in the record
    value: float = np.nan


class _Holds(NamedTuple):
    """Values of a block, each for as long as it lasts: those of one sample are only counted."""

    n_holds: int
    heads: NDArray[np.intp]  # of those of several samples, where they begin
    lengths: NDArray[np.intp]  # of the same
    n: int  # samples of the block

    @property
    def first(self) -> int:
        """Length of the first one."""
        return int(self.lengths[0]) if self.heads.size and self.heads[0] == 0 else 1

    @property
    def last(self) -> int:
        """Length of the last one."""
        reaches = self.heads.size and self.heads[-1] + self.lengths[-1] == self.n
        return int(self.lengths[-1]) if reaches else 1

    def between(self, *, with_first: bool) -> tuple[NDArray[np.intp], NDArray[np.intp], int]:
        """Heads and lengths without the last, and the first unless asked for; count of them all."""
        long = slice(int(not with_first and self.first > 1), self.heads.size - int(self.last > 1))
        return self.heads[long], self.lengths[long], self.n_holds - 1 - int(not with_first)


class HoldMeter:
    """Follows how long each value lasts."""

    def __init__(self) -> None:
        self._running = Stretch()  # the one that reaches the end of the last block
        self._longest = Stretch()  # of those that have ended
        self._holds = np.zeros(_LONGEST_HOLD + 1, dtype=np.int64)
        self.n = 0

    def feed(self, samples: Samples, at: Places) -> None:
        """Take the next block of finite samples, (n,), and their places in the record."""
        repeats = np.flatnonzero(samples[1:] == samples[:-1])
        heads = repeats[np.diff(repeats, prepend=-2) > 1]  # of holds of several samples
        lengths = repeats[np.diff(repeats, append=samples.size) > 1] + 2 - heads
        block = _Holds(samples.size - repeats.size, heads, lengths, samples.size)
        if self.n == 0:
            self._running = Stretch(0, int(at[0]), float(samples[0]))
        goes_on = bool(samples[0] == self._running.value)
        if goes_on and block.n_holds == 1:
            self._running = self._running._replace(length=self._running.length + samples.size)
        else:
            self._end_holds(samples, block, at, goes_on)
        self.n += samples.size

    def _end_holds(self, samples: Samples, block: _Holds, at: Places, goes_on: bool) -> None:
        more = block.first if goes_on else 0
        ended = self._running._replace(length=self._running.length + more)
        # the very first hold may have begun before the record: it is not kept
        if ended.length != self.n + more:
            self._holds[min(ended.length, _LONGEST_HOLD)] += 1
        self._longest = max(self._longest, ended)
        heads, lengths, count = block.between(with_first=not goes_on)
        self._holds[1] += count - lengths.size
        if lengths.size:
            self._holds += np.bincount(
                np.minimum(lengths, _LONGEST_HOLD), minlength=_LONGEST_HOLD + 1
            )
            if lengths.max() > self._longest.length:
                start = int(heads[np.argmax(lengths)])
                self._longest = Stretch(int(lengths.max()), int(at[start]), float(samples[start]))
        start = samples.size - block.last
        self._running = Stretch(block.last, int(at[start]), float(samples[start]))

    @property
    def is_constant(self) -> bool:
        """One value from beginning to end."""
        return self.n > 0 and self._running.length == self.n

    @property
    def stuck(self) -> Stretch | None:
        """The longest stretch of one value, where it is far longer than usual."""
        if self.is_constant:
            return None
        longest = max(self._longest, self._running)
        is_stuck = longest.length >= max(STUCK_SAMPLES, STUCK_HOLDS * self.usual_hold_samples)
        return longest if is_stuck else None

    @property
    def usual_hold_samples(self) -> int:
        """Half of the samples outside the longest hold belong to holds no longer than this."""
        samples = self._holds * np.arange(self._holds.size)
        if self._longest.length > self._running.length:
            kept_as = min(self._longest.length, _LONGEST_HOLD)
            samples[kept_as] = max(samples[kept_as] - kept_as, 0)  # the first hold is not in there
        cumulative = np.cumsum(samples)
        return max(1, int(np.searchsorted(cumulative, 0.5 * cumulative[-1])))

    @property
    def hold_samples(self) -> float | None:
        """Samples per value of a channel whose values come more slowly than its samples."""
        changes = int(self._holds.sum())
        if changes < _FEWEST_HOLDS:
            return None
        cumulative = np.cumsum(self._holds)
        short, usual = (
            int(np.searchsorted(cumulative, share * changes, side="left"))
            for share in (_SHORT_HOLD_QUANTILE, 0.5)
        )
        if short < HELD_SAMPLES:
            return None
        lengths = np.arange(self._holds.size)
        multiple = np.maximum(np.rint(lengths / usual), 1)
        is_regular = np.abs(lengths - multiple * usual) <= max(1.0, _REGULAR_TOLERANCE * usual)
        regular = np.where(is_regular, self._holds, 0)
        if regular.sum() < _REGULAR_SHARE * changes:
            return None
        return float(np.sum(regular * lengths) / np.sum(regular * multiple))


def _runs(flags: NDArray[np.bool_], running: int) -> tuple[list[int], int]:
    """Lengths of the runs of true that end in this block, and of the one that reaches its end.

    A run that has reached the end of the last block with length `running` goes on here.
    """
    if not flags.any():
        return ([running] if running else []), 0
    edges = np.flatnonzero(np.diff(flags, prepend=False, append=False))
    lengths = (edges[1::2] - edges[::2]).tolist()
    if running and flags[0]:
        lengths[0] += running
    elif running:
        lengths.insert(0, running)
    last = lengths.pop() if flags[-1] else 0
    return lengths, last
