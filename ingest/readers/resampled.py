"""Columns with clocks of their own, as blocks of one rate that begin at one moment."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.part import BLOCK_ROWS, Part
from ingest.readers.resampling import Resampler
from ingest.recording import RawBlock

Array = NDArray[np.float64]

# Streams of one run end within a block of one another; more means a wrong rate (engineering
# judgement).
_UNEVEN_END = 0.02


@dataclass(frozen=True)
class Stream:
    """Columns of one clock: rows of the result, and their blocks."""

    rows: list[int]
    part: Part
    blocks: Iterator[RawBlock]


@dataclass(frozen=True)
class _Piece:
    """Samples at the common rate, and what was logged for them."""

    samples: Array
    logged: Array


def brought_to_one_rate(path: Path, streams: list[Stream], to_hz: float) -> Iterator[RawBlock]:
    """Blocks of all streams at `to_hz`, from the moment on at which all have begun.

    Raises RecordingError where the streams end at clearly different times.
    """
    begun = [(stream, next(stream.blocks, None)) for stream in streams]
    if any(first is None for _, first in begun):
        return  # nothing lies inside the part: told by whoever asked
    stamps = [s.part.first_stamp for s in streams if s.part.first_stamp is not None]
    origin = min(stamps) if stamps else None
    starts_s = [stream.part.starts_s(origin) for stream in streams]
    start_s = max(starts_s)
    pieces = [
        _resampled(chain([first], stream.blocks), stream, to_hz, start_s - own_s)
        for (stream, first), own_s in zip(begun, starts_s, strict=True)
        if first is not None
    ]
    yield from _side_by_side([stream.rows for stream in streams], pieces)
    _check_ends(path, streams, starts_s)


def _resampled(
    blocks: Iterator[RawBlock], stream: Stream, to_hz: float, from_s: float
) -> Iterator[_Piece]:
    resampler = Resampler(len(stream.rows), stream.part.rate_hz, to_hz, from_s)
    most = max(1, int(BLOCK_ROWS * min(1.0, stream.part.rate_hz / to_hz)))
    for block in blocks:
        for first in range(0, block.samples.shape[1], most):
            logged = block.samples[:, first : first + most]
            yield _Piece(resampler.push(logged), logged)
    yield _Piece(resampler.finish(), np.empty((len(stream.rows), 0)))


def _side_by_side(rows: list[list[int]], streams: list[Iterator[_Piece]]) -> Iterator[RawBlock]:
    """Blocks of all rows as far as all streams reach; what was logged is given once."""
    held = [np.empty((len(own), 0)) for own in rows]
    logged: list[list[Array]] = [[] for _ in rows]
    ended = [False for _ in rows]
    while not any(end and not piece.shape[1] for end, piece in zip(ended, held, strict=True)):
        for index, stream in enumerate(streams):
            while not held[index].shape[1] and not ended[index]:
                piece = next(stream, None)
                if piece is None:
                    ended[index] = True
                else:
                    held[index] = piece.samples
                    logged[index].append(piece.logged)
        n = min(piece.shape[1] for piece in held)
        if n:
            yield _block(rows, [piece[:, :n] for piece in held], logged)
            held = [piece[:, n:] for piece in held]
            logged = [[] for _ in rows]
    for stream in streams:  # the longer ones' last samples count for the clock alone
        for _ in stream:
            pass


def _block(rows: list[list[int]], held: list[Array], logged: list[list[Array]]) -> RawBlock:
    n_rows = sum(map(len, rows))
    samples = np.empty((n_rows, held[0].shape[1]))
    as_logged: list[Array] = [np.empty(0)] * n_rows
    for own, piece, raw in zip(rows, held, logged, strict=True):
        samples[own] = piece
        together = np.concatenate(raw, axis=1) if raw else np.empty((len(own), 0))
        for row, values in zip(own, together, strict=True):
            as_logged[row] = values
    return RawBlock(samples, None, tuple(as_logged))


def _check_ends(path: Path, streams: list[Stream], starts_s: list[float]) -> None:
    ends_s = [
        start + stream.part.kept / stream.part.rate_hz
        for start, stream in zip(starts_s, streams, strict=True)
    ]
    if max(ends_s) - min(ends_s) > _UNEVEN_END * max(ends_s) + max(
        1 / s.part.rate_hz for s in streams
    ):
        raise RecordingError(
            path,
            "",
            f"the columns end at different times, from {min(ends_s):.4g} to {max(ends_s):.4g} s",
            "state the right rate in each [[channel]], or `to` for the part that all have",
        )
