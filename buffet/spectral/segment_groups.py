"""Sums over neighbouring segments: what a bootstrap over a record's segments needs of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Groups of neighbouring segments kept for later functionals; beyond it neighbours are merged in
# pairs. 64 to 128 groups resolve block lengths well and bound the memory whatever the length.
MOST_GROUPS = 128

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Places = list[tuple[int, slice]]  # group and which segments of a batch belong to it


class SegmentGroups:
    """Sums over neighbouring segments, merged in pairs when there are too many."""

    def __init__(self, n_channels: int, n_pairs: int, kept: int) -> None:
        self._size = 1  # segments in a full group
        self._n = 0
        self._counts = np.zeros(MOST_GROUPS, int)
        # zeroed pages cost nothing before they are written to
        self._power = np.zeros((MOST_GROUPS, n_channels, kept))
        self._cross = np.zeros((MOST_GROUPS, n_pairs, kept), complex)
        self._low = np.zeros((MOST_GROUPS, n_channels, 2), complex)

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

    def room(self) -> int:
        """Segments that can be added before groups must be merged; merges where there is none."""
        full = MOST_GROUPS * self._size
        if self._counts.sum() == full:
            self._merge()
            full *= 2
        return int(full - self._counts.sum())

    def place(self, n_segments: int) -> Places:
        """Open groups for the next segments: group and which of the segments go there."""
        start = int(self._counts.sum())
        ends = start + n_segments
        places = []
        while start < ends:
            group = start // self._size
            stop = min((group + 1) * self._size, ends)
            first = ends - n_segments
            places.append((group, slice(start - first, stop - first)))
            self._counts[group] += stop - start
            start = stop
        self._n = max(self._n, group + 1)
        return places

    def _merge(self) -> None:
        half = MOST_GROUPS // 2
        for total in (self._power, self._cross, self._low, self._counts):
            for group in range(half):
                total[group] = total[2 * group] + total[2 * group + 1]
            total[half:] = 0
        self._size *= 2
        self._n = half
