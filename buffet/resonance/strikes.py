"""Strikes in a stream of samples, and the decays after them; no more than one decay is held."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
End = Literal["next strike", "end of record", "longest"]

# A strike is a sample beyond what the last half second reached, by as much again as that spanned:
# three times the amplitude of what rings still, and eight standard deviations of noise. Growth
# that is not sudden, as in a beat, never gets there. Half a second holds half a period of 1 Hz
# (engineering judgement).
LOOKBACK_S = 0.5
LOOKBACK_PIECES = 8
# After a strike, while the oscillation still grows: what follows sooner is a double hit.
RISE_S = 0.25
# Fewer samples out there are a spike.
FEWEST_OUTSIDE = 4
# A signal that changes by single counts now and then is at rest.
REST_COUNTS = 4
# Cut off a decay's end: the next strike begins before it stands out.
GUARD_S = 0.05
# Of a decay that is kept: 64 MB in double precision, all channels together, and a minute.
LONGEST_SAMPLES = 8_000_000
LONGEST_S = 60.0


@dataclass(frozen=True)
class Strike:
    """One strike and what followed."""

    time_s: float  # after the record's first sample
    samples: Array  # (n_channels, n), from the strike on
    struck: Flags  # (n_channels,), which channels it shows in
    ended_by: End


@dataclass
class _Open:
    """A decay that is being held."""

    first: int
    low: Array  # (n_channels,), what no sample went below before the strike, less the margin
    high: Array
    parts: list[Array]
    held: int = 0


class StrikeCutter:
    """Takes samples block by block and gives each strike once its decay is over.

    Strikes in the first half second are not seen: nothing is known of the rest before them.
    """

    def __init__(self, n_channels: int, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._piece = max(2, round(LOOKBACK_S * rate_hz / LOOKBACK_PIECES))
        self._longest = int(min(LONGEST_S * rate_hz, LONGEST_SAMPLES / max(n_channels, 1)))
        self._pending = np.empty((n_channels, 0))
        self._ranges: deque[tuple[Array, Array]] = deque(maxlen=LOOKBACK_PIECES)
        self._quantum = np.full(n_channels, np.inf)
        self._n = 0  # samples in whole pieces so far
        self._risen = 0
        self._open: _Open | None = None

    def push(self, block: Array) -> Iterator[Strike]:
        """Take in samples ``(n_channels, n)``."""
        self._pending = np.concatenate([self._pending, block], axis=1)
        whole = self._pending.shape[1] // self._piece * self._piece
        pieces, self._pending = self._pending[:, :whole], self._pending[:, whole:].copy()
        for start in range(0, whole, self._piece):
            yield from self._take(pieces[:, start : start + self._piece])

    def finish(self) -> Iterator[Strike]:
        """The last strike, with what is left of the record."""
        if self._open is not None:
            self._hold(self._pending)
            yield from self._close("end of record")

    def _take(self, piece: Array) -> Iterator[Strike]:
        first = None
        if len(self._ranges) == LOOKBACK_PIECES and self._n >= self._risen:
            low, high = self._margins()
            outside = ((piece > high[:, None]) | (piece < low[:, None])).any(axis=0)
            if outside.any():
                first = int(np.argmax(outside))
                self._hold(piece[:, :first])
                yield from self._close("next strike")
                self._open = _Open(self._n + first, low, high, [])
                self._risen = self._n + first + round(RISE_S * self._rate_hz)
        self._hold(piece[:, first or 0 :])
        self._n += self._piece
        self._look_at(piece)
        if self._open is not None and self._open.held >= self._longest:
            yield from self._close("longest")

    def _margins(self) -> tuple[Array, Array]:
        low = np.min([one for one, _ in self._ranges], axis=0)
        high = np.max([one for _, one in self._ranges], axis=0)
        rest = np.where(np.isfinite(self._quantum), REST_COUNTS * self._quantum, 0.0)
        margin = np.maximum(high - low, rest)
        return low - margin, high + margin

    def _look_at(self, piece: Array) -> None:
        self._ranges.append((piece.min(axis=1), piece.max(axis=1)))
        steps = np.abs(np.diff(piece, axis=1))
        steps[steps == 0] = np.inf
        self._quantum = np.minimum(self._quantum, steps.min(axis=1))

    def _hold(self, part: Array) -> None:
        if self._open is not None and part.shape[1]:
            self._open.parts.append(part.copy())
            self._open.held += part.shape[1]

    def _close(self, ended_by: End) -> Iterator[Strike]:
        """Give the strike that is held, unless it was a spike."""
        held, self._open = self._open, None
        if held is None or not held.parts:
            return
        samples = np.concatenate(held.parts, axis=1)
        near = samples[:, : round(LOOKBACK_S * self._rate_hz)]
        outside = (near > held.high[:, None]) | (near < held.low[:, None])
        struck = outside.sum(axis=1) >= FEWEST_OUTSIDE
        if not struck.any():
            return
        if ended_by == "next strike":
            samples = samples[:, : max(samples.shape[1] - round(GUARD_S * self._rate_hz), 0)]
        yield Strike(held.first / self._rate_hz, samples, struck, ended_by)
