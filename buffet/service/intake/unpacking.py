"""An archive unpacked in a limited child process: it may be hostile, and it may be long."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from buffet.service.intake.children import ChildError, ChildLimits, run_limited
from buffet.service.intake.disk import Stored
from buffet.service.intake.errors import IntakeError
from buffet.service.intake.limits import GIB, UploadLimits
from buffet.service.intake.zip_files import Unpacked, unpack

# An hour unpacks the largest archive at 30 MB/s.
_LONGEST_S = 3600


class RefusedError(IntakeError):
    """What the child refused, with the status and word that it gave."""

    def __init__(self, status: int, kind: str, text: str) -> None:
        self.status, self.kind = status, kind
        super().__init__(text)


def unpack_limited(
    archive: Path, folder: Path, limits: UploadLimits | None = None
) -> tuple[Unpacked, ...]:
    """`unpack` in a limited child.

    Raises
    ------
    RefusedError
        Whatever `unpack` raises, with its status and kind.
    ChildError
        The child broke a limit or crashed.
    """
    limits = limits or UploadLimits()
    bounds = ChildLimits(
        memory_bytes=GIB,
        cpu_s=_LONGEST_S,
        wall_s=_LONGEST_S,
        file_bytes=limits.total_bytes,
        result_bytes=limits.entries * 2000,
    )
    told = run_limited(_unpacked, str(archive), str(folder), limits, limits=bounds)
    if not isinstance(told, dict) or set(told) not in ({"refused"}, {"files"}):
        raise ChildError("the process that unpacked them said nothing of use")
    if "refused" in told:
        raise RefusedError(*told["refused"])
    return tuple(
        Unpacked(name, Stored(folder / Path(place).name, size, sha256))
        for name, place, size, sha256 in told["files"]
    )


def _unpacked(archive: str, folder: str, limits: UploadLimits) -> dict[str, Any]:
    try:
        found = unpack(Path(archive), Path(folder), limits)
    except IntakeError as error:
        return {"refused": [error.status, error.kind, str(error)]}
    return {
        "files": [
            [one.name, one.stored.path.name, one.stored.size, one.stored.sha256] for one in found
        ]
    }
