"""Recordings as they came out of their readers, kept on disk: the next time nothing is parsed.

An entry's name holds a digest of the recording's own SHA-256, and one of all that decides how it is
read and of this program's version. Where a file has the size and time of change that are noted with
its SHA-256, the entry is read at once, while the SHA-256 is found anew in a thread of its own, so
that what has changed behind them is refused before any result. A file of another size or time is
hashed before its entry is looked for. From the first block on whose check sum is wrong, the
recording itself is read again, and kept anew.
"""

from __future__ import annotations

import logging
from collections.abc import Generator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import asdict
from itertools import islice
from pathlib import Path
from typing import Any

from ingest.cache_entry import (
    ABOUT,
    DamagedEntryError,
    EntryInMaking,
    description,
    kept_blocks,
    remove,
)
from ingest.cache_keys import FOLDER, Asked, content
from ingest.errors import RecordingError, RecordUseError
from ingest.readers import open_recording
from ingest.readers.byte_source import digest_beside, file_digest
from ingest.recording import ClockSummary, RawBlock, Recording

_log = logging.getLogger(__name__)


def open_kept(asked: Asked, *, fills: bool = True) -> Recording:
    """Open a recording from the cache, or itself, which `fills` the cache as it is read.

    Raises RecordingError where no reader takes the file or it is not as the sheet says.
    """
    try:
        found = _found(asked, fills=fills)
    except OSError:  # whatever is wrong with the recording, its reader tells
        found = None
    return found or _itself(asked, fills=fills)


def _itself(asked: Asked, *, fills: bool) -> Recording:
    return _Kept(asked) if fills else _opened(asked)


def _opened(asked: Asked) -> Recording:
    return open_recording(asked.paths, asked.file, asked.clock, asked.wanted)


def _found(asked: Asked, *, fills: bool) -> _Cached | None:
    stamps = asked.stamps()
    digests = asked.noted(stamps)
    are_known = digests is not None
    if digests is None:
        if not any(asked.folder.glob(f"{asked.size}-*{ABOUT}")):
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
    return _Cached(asked, entry, about, digests, is_certain=not are_known, fills=fills)


def _note(asked: Asked, stamps: Sequence[list[int]], digests: Sequence[str]) -> None:
    """Note what the files hold; entries of what they held before go."""
    before = asked.noted()
    if before is not None and content(before) != content(digests):
        for old in asked.folder.glob(f"*-{content(before)}-*{ABOUT}"):
            remove(old)
    asked.keep_note(stamps, digests)


def _tell_damage(asked: Asked, entry: Path) -> None:
    remove(entry)
    _log.warning("%s: its copy in %s is damaged; it is read anew", asked.paths[0], FOLDER)


class _Kept:
    """A recording that is kept as it is read."""

    def __init__(self, asked: Asked) -> None:
        self._asked = asked
        self._stamps: list[list[int]] = []
        with suppress(OSError):
            self._stamps = asked.stamps()
        self._recording = recording = _opened(asked)
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
                        written.drop()
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
            # before it: an entry is asked for by its note
            _note(asked, self._stamps, recording.sha256)
            written.keep_as(asked.entry(recording.sha256), about)
        except OSError as fault:
            _tell_full(asked, fault)


def _tell_full(asked: Asked, fault: OSError) -> None:
    _log.warning("%s: is not kept in %s: %s", asked.paths[0], FOLDER, fault.strerror or fault)


class _Cached:
    """A recording that is read from the cache."""

    def __init__(
        self,
        asked: Asked,
        entry: Path,
        about: dict[str, Any],
        digests: Sequence[str],
        *,
        is_certain: bool,
        fills: bool,
    ) -> None:
        """`is_certain`: the digests are those of the files as they are, not as they were noted."""
        self._asked, self._entry = asked, entry
        self._is_certain, self._fills = is_certain, fills
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
            except (DamagedEntryError, OSError) as fault:
                if not isinstance(fault, FileNotFoundError):  # let go of meanwhile
                    _tell_damage(self._asked, self._entry)
                self._anew = _itself(self._asked, fills=self._fills)
                yield from islice(self._anew.blocks(wanted), given, None)
            if found and tuple(digest() for digest in found) != self._digests:
                self._refuse_changed()
        self._is_read = True

    def _refuse_changed(self) -> None:
        is_seen = self._asked.stamps() != self._stamps
        remove(self._entry)
        self._asked.forget()
        is_dropped = not self._entry.with_suffix(ABOUT).exists()
        raise RecordingError(
            self._asked.paths[0],
            "",
            "it changed while it was read"
            if is_seen
            else f"its content is not that of the copy in {FOLDER}, though its size and time are",
            "the copy was dropped: run the command again"
            if is_dropped
            else "the copy cannot be dropped: read it without the cache",
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
