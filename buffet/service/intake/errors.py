"""Why an upload is not taken: one message each, with an HTTP status and a word for scripts.

IntakeError
├── TooLargeError         413  a body, a file or an archive beyond a limit
├── NoSpaceError          507  the disk is full
├── IncompleteBodyError   400  fewer bytes than were declared
├── BadHeaderError        400  a length, digest or form header that says nothing
├── DigestMismatchError   400  content that is not what its digest says
├── UnsupportedTypeError  415  a form that is none
├── BadFormError          400  a form whose parts cannot be told
├── BadNameError          422  a file name that cannot be kept
├── BadArchiveError       422  an archive that is damaged or plays tricks
├── SheetFaultsError      422  sheets or recordings with faults, all of them
└── ChildError            422  reading it broke a limit (children.py)
"""

from __future__ import annotations

import errno
from collections.abc import Sequence
from pathlib import Path

from buffet.service.errors import ServiceError
from ingest import SheetFault

_FULL = {errno.ENOSPC, errno.EDQUOT}
_LONGEST_SHOWN = 120  # characters of what somebody sent, in a message


class IntakeError(ServiceError):
    """An upload that is not taken; the text says what, where, what was wanted and what to do."""

    status, kind = 400, "bad-upload"


class TooLargeError(IntakeError):
    """More bytes, parts or entries than may be."""

    status, kind = 413, "too-large"


class NoSpaceError(IntakeError):
    """No room on the disk."""

    status, kind = 507, "no-space"


class IncompleteBodyError(IntakeError):
    """The connection ended early."""

    status, kind = 400, "incomplete"


class BadHeaderError(IntakeError):
    """A header that cannot be read."""

    status, kind = 400, "bad-header"


class DigestMismatchError(IntakeError):
    """What came is not what was sent."""

    status, kind = 400, "digest-mismatch"

    def __init__(self, wanted: str, found: str) -> None:
        self.wanted, self.found = wanted, found
        super().__init__(
            f"the content's SHA-256 is {found}, its sender states {wanted}; "
            "it was damaged on the way, or the digest is another file's: send it again"
        )


class UnsupportedTypeError(IntakeError):
    """A body of another kind than this address takes."""

    status, kind = 415, "unsupported-type"


class BadFormError(IntakeError):
    """multipart/form-data that is damaged."""

    status, kind = 400, "bad-form"


class BadNameError(IntakeError):
    """A file name that cannot be kept as it is."""

    status, kind = 422, "bad-name"

    def __init__(
        self, name: str, problem: str, advice: str = "rename it and send it again"
    ) -> None:
        self.name = name
        super().__init__(f"the file name {shown(name)} {problem}; {advice}")


class BadArchiveError(IntakeError):
    """A zip archive that is not unpacked."""

    status, kind = 422, "bad-archive"

    def __init__(self, problem: str, advice: str, entry: str | None = None) -> None:
        self.entry = entry
        place = "the archive" if entry is None else f"the archive, entry {shown(entry)},"
        super().__init__(f"{place} {problem}; {advice}")


class SheetFaultsError(IntakeError):
    """Sheets, or recordings that they name, have faults."""

    status, kind = 422, "sheet-faults"

    def __init__(self, faults: Sequence[SheetFault]) -> None:
        self.faults = tuple(faults)
        lines = [f"{len(self.faults)} faults:", *(f"  {fault}" for fault in self.faults)]
        super().__init__(str(self.faults[0]) if len(self.faults) == 1 else "\n".join(lines))


def shown(text: str) -> str:
    """What somebody sent, within a message: quoted, escaped, and not too long."""
    short = text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 3]}..."
    return ascii(short) if any(not c.isprintable() for c in short) else repr(short)


def size_text(n_bytes: float) -> str:
    """Bytes as people say them: "20 GiB"."""
    for unit in ("bytes", "KiB", "MiB", "GiB"):
        if n_bytes < 1024 or unit == "GiB":
            return f"{n_bytes:.4g} {unit}"
        n_bytes /= 1024
    raise AssertionError


def disk_error(error: OSError, folder: Path) -> IntakeError | None:
    """What to say where the disk is full; None for any other trouble with it."""
    if error.errno not in _FULL:
        return None
    return NoSpaceError(
        f"the disk of {folder} is full; what came of this upload was removed: make room there, "
        "or ask the owner of this service to, and send it again"
    )
