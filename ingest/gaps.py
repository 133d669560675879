"""Missing samples in a stream of blocks, filled by straight lines and counted."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Block = NDArray[np.float64]  # (n_channels, n)

# Samples held back while waiting for a gap to end; about a minute at 1 kHz. A longer gap holds
# its last value, so memory stays bounded whatever the recording does.
LONGEST_WAIT = 65536


class EndlessLeadingGapError(Exception):
    """A channel has no sample to start from within the longest wait."""

    def __init__(self, channel: int) -> None:
        super().__init__(channel)
        self.channel = channel  # index


class GapFiller:
    """Fills NaN by linear interpolation in time, across block borders too.

    Gaps at either end of the stream hold the nearest value.
    """

    def __init__(self, n_channels: int) -> None:
        self.filled = np.zeros(n_channels, dtype=np.int64)  # samples per channel
        self._last = np.full(n_channels, np.nan)  # the sample before the held ones
        self._held: Block = np.empty((n_channels, 0))

    def push(self, block: Block, *, is_whole: bool = False) -> Iterator[Block]:
        """Take a block, give what is complete; raises EndlessLeadingGapError.

        `is_whole`: nothing is missing in it, as somebody has seen.
        """
        if is_whole and not self._held.shape[1] and block.shape[1]:
            self._last = block[:, -1].copy()
            yield block
            return
        missing = np.isnan(block)
        self.filled += missing.sum(axis=1)
        if self._held.shape[1]:
            block = np.concatenate([self._held, block], axis=1)
            missing = np.isnan(block)
        complete = _complete_up_to(missing)
        if block.shape[1] - complete > LONGEST_WAIT:
            complete = block.shape[1]
        yield from self._give(block, missing, complete)

    def finish(self) -> Iterator[Block]:
        """Give what is still held; raises EndlessLeadingGapError for a channel without samples."""
        yield from self._give(self._held, np.isnan(self._held), self._held.shape[1])

    def _give(self, block: Block, missing: NDArray[np.bool_], complete: int) -> Iterator[Block]:
        self._held = block[:, complete:].copy()
        if complete == 0:
            return
        done = block[:, :complete]
        for channel in np.flatnonzero(missing[:, :complete].any(axis=1)):
            done[channel] = self._line(int(channel), block[channel], ~missing[channel])[:complete]
        self._last = done[:, -1].copy()
        yield done

    def _line(self, channel: int, samples: Block, present: NDArray[np.bool_]) -> Block:
        line = straight_lines(samples, present, self._last[channel])
        if line is None:
            raise EndlessLeadingGapError(channel)
        return line


def straight_lines(samples: Block, present: NDArray[np.bool_], before: float) -> Block | None:
    """One channel's samples ``(n,)`` with lines between those present; the ends are held.

    `before` is the sample ahead of them, NaN where there is none. None where nothing is known.
    """
    at, values = np.flatnonzero(present).astype(np.float64), samples[present]
    if not np.isnan(before):
        at, values = np.append(-1.0, at), np.append(before, values)
    if at.size == 0:
        return None
    line: Block = np.interp(np.arange(samples.size, dtype=np.float64), at, values)
    return line


def _complete_up_to(missing: NDArray[np.bool_]) -> int:
    """Number of leading samples after which no channel is inside a gap that runs on."""
    n: int = missing.shape[1]
    if n == 0 or not missing[:, -1].any():
        return n
    trailing: NDArray[np.intp] = missing[:, ::-1].argmin(
        axis=1
    )  # length of the gap at each channel's end
    trailing[missing.all(axis=1)] = n
    return n - int(trailing.max())
