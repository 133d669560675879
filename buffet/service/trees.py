"""A campaign's files laid out as a whole, looked at by a limited process, and then kept.

Files come in under names that people gave. They are laid out in a folder of their own, inspected
there, and kept under their digests; only then does a row name them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection

from buffet.service import catalogue
from buffet.service.access.audit import record
from buffet.service.access.roles import Principal
from buffet.service.catalogue import Campaign, Found, FoundRun, StoredFile
from buffet.service.database.engine import reading, writing
from buffet.service.errors import FolderError
from buffet.service.intake.disk import Stored
from buffet.service.intake.inspection import Inspection, inspect_limited
from buffet.service.intake.names import checked_names
from buffet.service.state import Service


@dataclass(frozen=True)
class Tree:
    """A campaign laid out, and what is to become of it."""

    inspection: Inspection
    stored: tuple[StoredFile, ...]  # those that are kept
    fresh: Mapping[str, Path]  # by digest, those whose content may not be there yet

    @property
    def found(self) -> Found:
        return found_of(self.inspection)

    @property
    def left_out(self) -> tuple[str, ...]:
        return self.inspection.left_out


def found_of(inspection: Inspection) -> Found:
    """An inspection as the catalogue keeps it."""
    return Found(
        inspection.title or "",
        inspection.baseline,
        inspection.configurations,
        tuple(
            FoundRun(
                run.number,
                run.kind,
                run.configuration,
                run.sheet,
                run.recordings,
                run.recording_bytes,
                {
                    "started": run.started.isoformat() if run.started else None,
                    "speed_m_s": run.speed_m_s,
                },
                run.waits,
            )
            for run in inspection.runs
        ),
        tuple(
            {"file": fault.file, "key": fault.key, "problem": fault.problem}
            for fault in inspection.waiting
        ),
    )


def tree_of(
    service: Service,
    scratch: Path,
    present: Sequence[StoredFile],
    fresh: Sequence[tuple[str, Stored]],
) -> Tree:
    """Lay out what is there and what came, and look at it as a whole."""
    folder = scratch / "campaign"
    names = [file.name for file in present] + [name for name, _ in fresh]
    checked_names(names)
    service.blobs.lay_out(folder, {file.name: file.sha256 for file in present})
    for name, stored in fresh:
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.hardlink_to(stored.path)
    inspection = inspect_limited(folder)
    inspection.require_sound()
    every = [*present, *(StoredFile(name, s.sha256, s.size) for name, s in fresh)]
    kept = set(inspection.files)
    return Tree(
        inspection,
        tuple(file for file in every if file.name in kept),
        {stored.sha256: stored.path for name, stored in fresh if name in kept},
    )


@contextmanager
def still_there(service: Service, campaign_id: int) -> Iterator[None]:
    """Content that is missing since its campaign was deleted meanwhile is no fault of the folder.

    Raises NotFoundError, then.
    """
    try:
        yield
    except FolderError:
        with reading(service.engine) as connection:
            catalogue.campaign(connection, campaign_id)
        raise


def written(service: Service, tree: Tree, write: Callable[[Connection], Campaign]) -> Campaign:
    """Take the content in, then write the rows that name it; nothing sweeps in between."""
    with service.blobs.held():
        for sha256, path in tree.fresh.items():
            if path.exists():
                size = path.stat().st_size
                if service.blobs.adopt(path, sha256):
                    service.metrics.taken_in(size)
        with writing(service.engine) as connection:
            return write(connection)


def note(
    connection: Connection,
    principal: Principal,
    address: str,
    action: str,
    campaign_id: int,
    details: Mapping[str, object],
) -> None:
    """Write into the audit log what happened to a campaign."""
    about = f"campaign {campaign_id}"
    record(connection, principal, address, action, about, details, time.time())
