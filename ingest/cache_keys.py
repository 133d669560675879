"""Under which names recordings are kept: by what they hold and by how they are read.

Beside the entries stands of each file what SHA-256 it had, with its size and time of change.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.cache_entry import write_whole
from ingest.provenance import package_version
from ingest.recording import ClockOptions, FileOptions

if TYPE_CHECKING:
    from ingest.record import Run

FOLDER = ".buffet-cache"
NOTE = ".digest"
_FORMAT = 1  # of the entries, and of what readers make of a file: one more where that changes


@dataclass(frozen=True)
class Asked:
    """What decides how a recording is read, and where it is kept."""

    folder: Path
    paths: tuple[Path, ...]
    file: FileOptions
    clock: ClockOptions
    wanted: tuple[str | int, ...]

    def entry(self, digests: Sequence[str]) -> Path:
        """Its file, without a suffix, where the files have these digests."""
        return self.folder / f"{self.size}-{self.key(digests)}"

    def key(self, digests: Sequence[str]) -> str:
        """Of what the files hold, and of how it is read."""
        return f"{content(digests)}-{self._way}"

    @cached_property
    def _way(self) -> str:
        decides = [_FORMAT, package_version(), list(self.wanted)]
        return _short([*decides, asdict(self.file), asdict(self.clock)])

    @property
    def size(self) -> int:
        """Of all files, in bytes."""
        return sum(path.stat().st_size for path in self.paths)

    def stamps(self) -> list[list[int]]:
        """Size and time of change of each file."""
        found = [path.stat() for path in self.paths]
        return [[one.st_size, one.st_mtime_ns] for one in found]

    def note(self, path: Path) -> Path:
        """Where a file's digest is noted: by its place in the campaign, which may be moved."""
        place = os.path.relpath(path, self.folder.parent)
        return self.folder / f"{sha256(os.fsencode(place)).hexdigest()[:32]}{NOTE}"

    def noted(self, stamps: Sequence[list[int]] | None = None) -> list[str] | None:
        """The digests that the files had, with these stamps or whenever it was; None: not known."""
        digests = []
        for index, path in enumerate(self.paths):
            found = _noted(self.note(path))
            if found is None or (stamps is not None and found[0] != stamps[index]):
                return None
            digests.append(found[1])
        return digests

    def keep_note(self, stamps: Sequence[list[int]], digests: Sequence[str]) -> None:
        """Note them for the next time, where that can be written."""
        for path, stamp, digest in zip(self.paths, stamps, digests, strict=True):
            with suppress(OSError):
                write_whole(self.note(path), json.dumps([*stamp, digest]))

    def forget(self) -> None:
        """Let the notes go."""
        for path in self.paths:
            with suppress(OSError):
                self.note(path).unlink(missing_ok=True)


def asked_by(run: Run, folder: Path) -> Asked:
    """What a run asks for of a cache's folder."""
    columns = tuple(channel.column for channel in run.logged)
    return Asked(folder, run.recordings, run.file_options, run.clock, columns)


def content(digests: Sequence[str]) -> str:
    """Of all files of a recording together."""
    return _short(list(digests))


def _short(value: list[object]) -> str:
    return sha256(json.dumps(value).encode()).hexdigest()[:32]


def _noted(note: Path) -> tuple[list[int], str] | None:
    """Size and time of a file, and its digest then; None where nothing of the kind stands there."""
    with suppress(OSError, ValueError, TypeError):
        *stamp, digest = json.loads(note.read_text(encoding="utf-8"))
        if isinstance(digest, str):
            return stamp, digest
    return None
