"""Files out of a watched folder, unless they change while they are read."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from buffet.service.intake.disk import Sink, Stored, require_space
from buffet.service.intake.limits import UploadLimits
from buffet.service.watch.tree import Stamp, opened

PIECE_BYTES = 2**20
LARGEST_BYTES = UploadLimits().total_bytes
LARGEST_SHEET = UploadLimits().sheet_bytes


class ChangedMeanwhileError(Exception):
    """It is still being written, or the service stops: another time."""


def read_whole(root: Path, name: str, stamp: Stamp) -> bytes:
    """A sheet's bytes.

    Raises OSError where it cannot be read, ChangedMeanwhileError where it is another by now.
    """
    handle = opened(root, name)
    with os.fdopen(handle, "rb") as file:
        data = file.read(LARGEST_SHEET + 1)
        _require_same(file.fileno(), stamp)
    return data


def digest_of(root: Path, name: str, stamp: Stamp, stops: Callable[[], bool]) -> str:
    """SHA-256 of a file where it lies; raises as `read_whole`."""
    digest = hashlib.sha256()
    for piece in _pieces(root, name, stamp, stops):
        digest.update(piece)
    return digest.hexdigest()


def copied(
    root: Path, name: str, stamp: Stamp, incoming: Path, stops: Callable[[], bool]
) -> Stored:
    """A copy among the incoming files; raises as `read_whole`, and NoSpaceError."""
    require_space(incoming, stamp.size)
    sink = Sink(incoming, LARGEST_BYTES, name)
    try:
        for piece in _pieces(root, name, stamp, stops):
            sink.write(piece)
        return sink.finish()
    except BaseException:
        sink.discard()
        raise


def _pieces(root: Path, name: str, stamp: Stamp, stops: Callable[[], bool]) -> Iterator[bytes]:
    with os.fdopen(opened(root, name), "rb") as file:
        _require_same(file.fileno(), stamp)
        left = stamp.size  # a file that grows as fast as it is read would never end
        while left and (piece := file.read(min(PIECE_BYTES, left))):
            if stops():
                raise ChangedMeanwhileError
            left -= len(piece)
            yield piece
        _require_same(file.fileno(), stamp)


def _require_same(handle: int, stamp: Stamp) -> None:
    if Stamp.of(os.fstat(handle)) != stamp:
        raise ChangedMeanwhileError
