"""Sums over neighbouring segments: what a bootstrap over a record's segments needs of it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Groups of neighbouring segments kept for later functionals; beyond it neighbours are merged in
# pairs. 64 to 128 groups resolve block lengths well and bound the memory whatever the length.
MOST_GROUPS = 128

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
# Groups, and the segments of a batch that are shared out evenly among them, in order.
Places = list[tuple[slice, slice]]


def group_size(n_segments: int) -> int:
    """Segments in a full group of a record: the least power of two that leaves few groups."""
    size = 1
    while MOST_GROUPS * size < n_segments:
        size *= 2
    return size


class SegmentGroups:
    """Sums over neighbouring segments, merged in pairs when there are too many.

    Parameters
    ----------
    kept : lowest bins that are kept
    first_segment : of a part of a record, where it begins
    size : segments in a full group to begin with
    """

    def __init__(
        self, n_channels: int, n_pairs: int, kept: int, first_segment: int = 0, size: int = 1
    ) -> None:
        self._size = size
        self.first = first_segment // size  # group of the record that is the first here
        self._next = first_segment - self.first * size
        self._n = 0
        n_groups = MOST_GROUPS + 1 if self._next else MOST_GROUPS  # a part may begin within one
        self._counts = np.zeros(n_groups, int)
        # zeroed pages cost nothing before they are written to
        self._power = np.zeros((n_groups, n_channels, kept))
        self._cross = np.zeros((n_groups, n_pairs, kept), complex)
        self._low = np.zeros((n_groups, n_channels, 2), complex)

    def __getstate__(self) -> dict[str, Any]:
        """Without the groups that are not used yet: a part of a record is sent when it is done."""
        state = dict(vars(self))
        for name in ("_counts", "_power", "_cross", "_low"):
            state[name] = state[name][: self._n]
        return state

    @property
    def counts(self) -> NDArray[np.int64]:
        """Segments in each group, ``(n_groups,)``."""
        return self._counts[: self._n]

    @property
    def power(self) -> Array:
        """Summed |X|², ``(n_groups, n_channels, kept)``."""
        return self._power[: self._n]

    @property
    def cross(self) -> Complex:
        """Summed X conj(Y), ``(n_groups, n_pairs, kept)``."""
        return self._cross[: self._n]

    @property
    def low(self) -> Complex:
        """Summed transforms in bins 0 and 1, ``(n_groups, n_channels, 2)``."""
        return self._low[: self._n]

    def has_room(self, n_segments: int) -> bool:
        """Whether so many segments can be placed without merging groups."""
        return self._next + n_segments <= len(self._counts) * self._size

    def place(self, n_segments: int) -> Places:
        """Open groups for the next segments, which must be some.

        Groups are merged before they would become too many.
        """
        while not self.has_room(n_segments):
            self._merge()
        start, end, size = self._next, self._next + n_segments, self._size
        last_whole = max(end // size * size, start)
        first_whole = min(-(-start // size) * size, last_whole)
        edges = sorted({start, first_whole, last_whole, end})
        places = []
        for begin, stop in pairwise(edges):
            groups = slice(begin // size, -(-stop // size))
            self._counts[groups] += (stop - begin) // (groups.stop - groups.start)
            places.append((groups, slice(begin - start, stop - start)))
        self._next, self._n = end, -(-end // size)
        return places

    def _merge(self) -> None:
        half = MOST_GROUPS // 2
        for total in (self._power, self._cross, self._low, self._counts):
            for group in range(half):
                total[group] = total[2 * group] + total[2 * group + 1]
            total[half:] = 0
        self._size *= 2
        self._n = half


def add_to_groups(totals: NDArray[Any], places: Places, values: NDArray[Any]) -> None:
    """Add segments' values ``(n_rows, n_segments, n)`` to their sums ``(n_groups, n_rows, n)``."""
    for groups, segments in places:
        own, n_groups = values[:, segments], groups.stop - groups.start
        if own.shape[1] > n_groups:
            shared = own.reshape(len(own), n_groups, -1, own.shape[2])
            own = shared.sum(axis=2, dtype=totals.dtype)
        totals[groups] += own.swapaxes(0, 1)


def joined(parts: Sequence[SegmentGroups]) -> SegmentGroups:
    """Groups of a whole record from those of its parts, in order, all of one size of group."""
    first = parts[0]
    n_pairs, kept = first.cross.shape[1:]
    whole = SegmentGroups(first.power.shape[1], n_pairs, kept, size=first._size)
    for part in parts:
        own = slice(part.first, part.first + part._n)
        whole._power[own] += part.power
        whole._cross[own] += part.cross
        whole._low[own] += part.low
        whole._counts[own] += part.counts
        whole._next, whole._n = whole._next + int(part.counts.sum()), own.stop
    return whole
