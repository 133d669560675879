"""Recordings as they came out of their readers, kept on disk: the next time nothing is parsed.

An entry's name is a digest of the recording's own SHA-256, of all that decides how it is read, and
of this program's version. Beside the entries stands what SHA-256 a file had, with its size and
time of change: where these are the same, the entry is read at once, while the SHA-256 is found anew
in a thread of its own, so that what has changed behind them is refused before any result. A file
of another size or time is hashed before its entry is looked for. From the first block on whose
check sum is wrong, the recording itself is read again, and kept anew.
"""

from __future__ import annotations

import json
import logging
import os
import tempfile
import time
from collections.abc import Generator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import asdict, dataclass
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import Any

from ingest.cache_entry import (
    ABOUT,
    IN_MAKING,
    DamagedEntryError,
    EntryInMaking,
    description,
    kept_blocks,
    remove,
    write_whole,
)
from ingest.errors import CacheError, RecordingError, RecordUseError
from ingest.provenance import package_version
from ingest.readers import open_recording
from ingest.readers.byte_source import digest_beside, file_digest
from ingest.recording import ClockOptions, ClockSummary, FileOptions, RawBlock, Recording

FOLDER = ".buffet-cache"
_FORMAT = 1  # of the entries, and of what readers make of a file: one more where that changes
_LEFT_S = 86_400.0  # no entry is in the making for a day
_log = logging.getLogger(__name__)


def cache_folder(campaign: Path) -> Path:
    """The folder of a campaign's cache, made where it is not there.

    Raises
    ------
    CacheError
        Nothing can be written there.
    """
    folder = campaign / FOLDER
    try:
        folder.mkdir(exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
        for left in folder.glob(f"*{IN_MAKING}"):  # by whoever was killed
            with suppress(FileNotFoundError):  # by whoever was not
                if time.time() - left.stat().st_mtime > _LEFT_S:
                    left.unlink()
    except OSError as fault:
        raise CacheError(folder, fault.strerror or str(fault)) from fault
    return folder


@dataclass(frozen=True)
class _Asked:
    """What decides how a recording is read, and where it is kept."""

    folder: Path
    paths: tuple[Path, ...]
    file: FileOptions
    clock: ClockOptions
    wanted: tuple[str | int, ...]

    def opened(self) -> Recording:
        return open_recording(self.paths, self.file, self.clock, self.wanted)

    def entry(self, digests: Sequence[str]) -> Path:
        """Its file, without a suffix, where the files have these digests."""
        decides = [_FORMAT, package_version(), list(digests), list(self.wanted)]
        decides += [asdict(self.file), asdict(self.clock)]
        key = sha256(json.dumps(decides).encode()).hexdigest()[:32]
        return self.folder / f"{self.size}-{key}"

    @property
    def size(self) -> int:
        return sum(path.stat().st_size for path in self.paths)

    def stamps(self) -> list[list[int]]:
        """Size and time of change of each file."""
        found = [path.stat() for path in self.paths]
        return [[one.st_size, one.st_mtime_ns] for one in found]

    def note(self, path: Path) -> Path:
        """Where a file's digest is noted beside its size and time."""
        return self.folder / f"{sha256(os.fsencode(path.absolute())).hexdigest()[:32]}.digest"


def open_kept(
    folder: Path,
    paths: Sequence[Path],
    file: FileOptions,
    clock: ClockOptions,
    wanted: Sequence[str | int],
) -> Recording:
    """Open a recording for these columns from the cache, or itself, to be kept there as it is read.

    Raises RecordingError where no reader takes the file or it is not as the sheet says.
    """
    asked = _Asked(folder, tuple(paths), file, clock, tuple(wanted))
    try:
        found = _found(asked)
    except OSError:  # whatever is wrong with the recording, its reader tells
        found = None
    return found or _Kept(asked)


def _found(asked: _Asked) -> _Cached | None:
    stamps = asked.stamps()
    noted = [_noted(asked, path, stamp) for path, stamp in zip(asked.paths, stamps, strict=True)]
    digests = [digest for digest in noted if digest is not None]
    are_known = len(digests) == len(noted)
    if not are_known:
        if not any(asked.folder.glob(f"{asked.size}-*.json")):
            return None  # nothing of this size: no need to hash it beforehand
        digests = [file_digest(path) for path in asked.paths]
        _note(asked, stamps, digests)
    entry = asked.entry(digests)
    try:
        about = description(entry)
    except FileNotFoundError:
        return None
    except DamagedEntryError:
        _tell_damage(asked, entry)
        return None
    return _Cached(asked, entry, about, digests, is_certain=not are_known)


def _noted(asked: _Asked, path: Path, stamp: list[int]) -> str | None:
    """The digest that a file had when it was as large and as old."""
    with suppress(OSError, ValueError):
        *stamped, digest = json.loads(asked.note(path).read_text(encoding="utf-8"))
        if stamped == stamp and isinstance(digest, str):
            return digest
    return None


def _note(asked: _Asked, stamps: Sequence[list[int]], digests: Sequence[str]) -> None:
    _let_go(asked, digests)
    for path, stamp, digest in zip(asked.paths, stamps, digests, strict=True):
        with suppress(OSError):
            write_whole(asked.note(path), json.dumps([*stamp, digest]))


def _tell_damage(asked: _Asked, entry: Path) -> None:
    remove(entry)
    _log.warning("%s: its copy in %s is damaged; it is read anew", asked.paths[0], FOLDER)


class _Kept:
    """A recording that is kept as it is read."""

    def __init__(self, asked: _Asked) -> None:
        self._asked = asked
        self._stamps: list[list[int]] = []
        with suppress(OSError):
            self._stamps = asked.stamps()
        self._recording = recording = asked.opened()
        self.reader, self.columns, self.units = (
            recording.reader,
            recording.columns,
            recording.units,
        )
        self.rate_hz, self.expected_samples = recording.rate_hz, recording.expected_samples
        self.logged_rate_hz = recording.logged_rate_hz
        self.rate_in_file_hz = recording.rate_in_file_hz
        self.reach_hz = recording.reach_hz

    @property
    def sha256(self) -> tuple[str, ...]:
        """Hex digest of each file's bytes on disk; known after the last block."""
        return self._recording.sha256

    @property
    def clock(self) -> ClockSummary:
        """How even the sampling was, of the fastest columns; known after the last block."""
        return self._recording.clock

    @property
    def slower_clocks(self) -> tuple[tuple[float, ClockSummary], ...]:
        """Rate used and clock of the other columns, where they have clocks of their own."""
        return self._recording.slower_clocks

    def blocks(self, wanted: Sequence[str | int]) -> Generator[RawBlock]:
        """The recording's own, each written to the cache before it is given."""
        with ExitStack() as stack:
            written: EntryInMaking | None = None
            try:
                written = stack.enter_context(EntryInMaking(self._asked.folder))
            except OSError as fault:
                _tell_full(self._asked, fault)
            for block in self._recording.blocks(wanted):
                if written is not None:
                    try:
                        written.add(block)
                    except OSError as fault:
                        _tell_full(self._asked, fault)
                        written = None
                yield block
            if written is not None:
                self._keep(written)

    def _keep(self, written: EntryInMaking) -> None:
        """Under its digests, unless the recording changed meanwhile."""
        asked, recording = self._asked, self._recording
        try:
            if asked.stamps() != self._stamps:
                return
            about = {
                "version": package_version(),
                "sha256": recording.sha256,
                "size": written.size,
                "blocks": written.blocks,
                "reader": recording.reader,
                "columns": recording.columns,
                "units": recording.units,
                "rate_hz": recording.rate_hz,
                "expected_samples": recording.expected_samples,
                "of_wanted": [
                    [
                        recording.logged_rate_hz(column),
                        recording.rate_in_file_hz(column),
                        recording.reach_hz(column),
                    ]
                    for column in asked.wanted
                ],
                "clock": asdict(recording.clock),
                "slower_clocks": [[rate, asdict(clock)] for rate, clock in recording.slower_clocks],
            }
            written.keep_as(asked.entry(recording.sha256), about)
            _let_go_of_other_versions(asked, recording.sha256)
            _note(asked, self._stamps, recording.sha256)
        except OSError as fault:
            _tell_full(asked, fault)


def _let_go(asked: _Asked, digests: Sequence[str]) -> None:
    """Entries of what these files held before they changed."""
    for path, digest in zip(asked.paths, digests, strict=True):
        with suppress(OSError, ValueError):
            before = json.loads(asked.note(path).read_text(encoding="utf-8"))[-1]
            if before != digest:
                for about in asked.folder.glob(f"*{ABOUT}"):
                    if before in about.read_text(encoding="utf-8"):
                        remove(about)


def _let_go_of_other_versions(asked: _Asked, digests: Sequence[str]) -> None:
    """Entries of these files that another version of the program made."""
    for path in asked.folder.glob(f"{asked.size}-*{ABOUT}"):
        with suppress(OSError, DamagedEntryError):
            about = description(path)
            if about["sha256"] == list(digests) and about["version"] != package_version():
                remove(path)


def _tell_full(asked: _Asked, fault: OSError) -> None:
    _log.warning("%s: is not kept in %s: %s", asked.paths[0], FOLDER, fault.strerror or fault)


class _Cached:
    """A recording that is read from the cache."""

    def __init__(
        self,
        asked: _Asked,
        entry: Path,
        about: dict[str, Any],
        digests: Sequence[str],
        *,
        is_certain: bool,
    ) -> None:
        """`is_certain`: the digests are those of the files as they are, not as they were noted."""
        self._asked, self._entry, self._is_certain = asked, entry, is_certain
        self._stamps = asked.stamps()
        self._blocks = about["blocks"]
        self._digests = tuple(digests)
        self._is_read = False
        self._anew: Recording | None = None  # the recording itself, where the entry is damaged
        self.reader: str = about["reader"]
        self.columns = tuple(about["columns"])
        self.units = None if about["units"] is None else tuple(about["units"])
        self.rate_hz: float = about["rate_hz"]
        self.expected_samples: int | None = about["expected_samples"]
        self._of_wanted = dict(zip(asked.wanted, about["of_wanted"], strict=True))
        self._clock = ClockSummary(**about["clock"])
        self._slower = tuple(
            (rate, ClockSummary(**clock)) for rate, clock in about["slower_clocks"]
        )

    def logged_rate_hz(self, column: str | int) -> float:
        """Rate at which a column was logged."""
        return float(self._of_wanted[column][0])

    def rate_in_file_hz(self, column: str | int) -> float | None:
        """Rate of a column as the file itself states it; None where it does not."""
        rate_hz: float | None = self._of_wanted[column][1]
        return rate_hz

    def reach_hz(self, column: str | int) -> float:
        """Highest frequency that a column's sampling, and resampling, lets through."""
        return float(self._of_wanted[column][2])

    def blocks(self, wanted: Sequence[str | int]) -> Generator[RawBlock]:
        """As they were read; those behind a damaged one from the recording itself.

        Raises RecordingError where that is another than it was, in spite of its size and time.
        """
        if tuple(wanted) != self._asked.wanted:
            raise RecordUseError(f"{self._asked.paths[0]}: opened for other columns")
        with ExitStack() as stack:
            beside = [] if self._is_certain else list(self._asked.paths)
            found = [stack.enter_context(digest_beside(path)) for path in beside]
            given = 0
            try:
                for block in kept_blocks(self._entry, self._blocks):
                    yield block
                    given += 1
            except (DamagedEntryError, OSError):
                _tell_damage(self._asked, self._entry)
                self._anew = _Kept(self._asked)
                yield from islice(self._anew.blocks(wanted), given, None)
            if found and tuple(digest() for digest in found) != self._digests:
                self._refuse_changed()
        self._is_read = True

    def _refuse_changed(self) -> None:
        is_seen = self._asked.stamps() != self._stamps
        remove(self._entry)
        for path in self._asked.paths:
            with suppress(OSError):
                self._asked.note(path).unlink(missing_ok=True)
        raise RecordingError(
            self._asked.paths[0],
            "",
            "it changed while it was read"
            if is_seen
            else f"its content is not that of the copy in {FOLDER}, though its size and time are",
            "the copy was dropped: run the command again",
        )

    def _source(self) -> Recording | None:
        """The recording itself, where it was read after all; refuses before the last block."""
        if not self._is_read:
            raise RecordUseError(f"{self._asked.paths[0]}: known only after the last block")
        return self._anew

    @property
    def sha256(self) -> tuple[str, ...]:
        """Hex digest of each file's bytes on disk; known after the last block."""
        anew = self._source()
        return self._digests if anew is None else anew.sha256

    @property
    def clock(self) -> ClockSummary:
        """How even the sampling was, of the fastest columns; known after the last block."""
        anew = self._source()
        return self._clock if anew is None else anew.clock

    @property
    def slower_clocks(self) -> tuple[tuple[float, ClockSummary], ...]:
        """Rate used and clock of the other columns, where they have clocks of their own."""
        anew = self._source()
        return self._slower if anew is None else anew.slower_clocks
