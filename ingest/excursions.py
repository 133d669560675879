"""How far samples stand out of what the signal does beside them, for spikes of up to three samples.

All tops of a stretch are screened in groups of four, by bounds that no top of the group exceeds;
what stands out by these bounds is looked at sample by sample.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ingest.channel_meters import Samples

# Samples on either side of a spike's top that a spike of three samples may reach, and cannot.
NEAR, _BESIDE = 2, 3
# Samples on either side, beyond those of the spike, whose span is what the signal does there.
_FLANK = 16
REACH = _BESIDE + _FLANK
GROUP = 4  # tops screened together: a quarter of a flank
# Less than one, by far more than divisions round.
_ROUNDING = 1 - 1e-9

Tops = NDArray[np.intp]  # places among the samples that have full flanks, from zero on


def excursions(samples: Samples, tops: Tops) -> tuple[Samples, Samples, Samples]:
    """Of some tops: height above or below, lowest and highest of the flanks."""
    height = _height(lambda offset: samples[tops + (REACH + offset)])
    flank = np.arange(_FLANK)
    both = np.concatenate([flank, REACH + _BESIDE + 1 + flank])
    flanks = samples[tops[:, None] + both]
    return height, flanks.min(axis=1), flanks.max(axis=1)


def _height(beside: Callable[[int], Samples]) -> Samples:
    """Of tops, from the samples at an offset from each."""
    top = beside(0)
    above = top - _foot(beside, np.maximum, np.minimum)
    below = _foot(beside, np.minimum, np.maximum) - top
    return np.asarray(np.maximum(np.maximum(above, below), 0.0))


def _foot(beside: Callable[[int], Samples], farther: np.ufunc, nearer: np.ufunc) -> Samples:
    """What a top must pass: whichever samples next to it a spike of three cannot hold all of.

    Those three away; and both two away, or the one before, or the one after.
    """
    inner = nearer(farther(beside(-2), beside(2)), nearer(beside(-1), beside(1)))
    return np.asarray(farther(farther(beside(-_BESIDE), beside(_BESIDE)), inner))


class _Ends:
    """Lowest or highest of groups of four, and of neighbouring ones."""

    def __init__(self, end: np.ufunc, phases: list[Samples]) -> None:
        later = end(end(phases[1], phases[2]), phases[3])
        self._end = end
        self._one = end(phases[0], later)
        self._two = end(self._one[:-1], self._one[1:])
        # a flank before a group's first sample begins with the second of a group
        self._turned = end(later[:-1], phases[0][1:])

    def flanks(self, group: slice) -> Samples:
        """Both flanks of each group's first sample."""
        two = self._end(self._turned[:-1], self._turned[1:])
        before = self._end(_moved(two, group, -5), _moved(two, group, -3))
        after = self._end(_moved(self._two, group, 1), _moved(self._two, group, 3))
        return np.asarray(self._end(before, after))

    def three(self) -> Samples:
        """Of each group and the two behind it."""
        return np.asarray(self._end(self._two[:-1], self._one[2:]))


def _moved(groups: Samples, group: slice, by: int) -> Samples:
    return groups[group.start + by : group.stop + by]


class Grouped:
    """A stretch of samples in groups of four; each group's first is a top."""

    def __init__(self, samples: Samples, first: int) -> None:
        """`first` is the first top that begins a group, below four."""
        self._first = first
        self._n_tops = samples.size - 2 * REACH
        # Five groups lie before that of the first top: its flank's first sample is in the first.
        begin = REACH + first - 5 * GROUP
        if begin < 0:  # what it takes is never looked at
            samples = np.concatenate([samples[:-begin], samples])
            begin = 0
        count = (samples.size - begin) // GROUP
        stop = begin + GROUP * count
        self._phases = [samples[begin + i : stop : GROUP].copy() for i in range(GROUP)]
        self._lowest = _Ends(np.minimum, self._phases)
        self._highest = _Ends(np.maximum, self._phases)

    def spans(self, finest_step: float) -> Samples:
        """Of the first top of each group, the height over the flanks' span, or the finest step."""
        n = -(-(self._n_tops - self._first) // GROUP)
        group = slice(5, 5 + max(n, 0))

        def beside(offset: int) -> Samples:
            return _moved(self._phases[offset % GROUP], group, offset // GROUP)

        span = self._highest.flanks(group) - self._lowest.flanks(group)
        return np.asarray(_height(beside) / np.maximum(span, finest_step, out=span))

    def may_stand_out(self, least_spans: float, finest_step: float) -> Tops:
        """All tops but those whose height is certainly less than so many spans."""
        n = max((self._n_tops - self._first) // GROUP, 0)
        group = slice(5, 5 + n)
        high, low = self._highest.three(), self._lowest.three()
        # a top and all that it is measured against lie in its group and those next to it
        most = _moved(high, group, -1) - _moved(low, group, -1)
        # of each top's flanks these six groups are certainly part
        span = np.maximum(_moved(high, group, -4), _moved(high, group, 2))
        span -= np.minimum(_moved(low, group, -4), _moved(low, group, 2))
        np.maximum(span, finest_step, out=span)
        span *= least_spans * _ROUNDING
        found = np.flatnonzero(most >= span)
        inside = (self._first + GROUP * found[:, None] + np.arange(GROUP)).ravel()
        before = np.arange(min(self._first, self._n_tops))
        after = np.arange(max(self._first + GROUP * n, before.size), self._n_tops)
        return np.concatenate([before, inside, after])
