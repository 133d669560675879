"""What changes the catalogue: each change inspected first, then written whole, and audited.

Files come in under names that people gave. They are laid out in a folder of their own, read there
by a limited process, and kept under their digests; only then does a row name them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection

from buffet.service import catalogue
from buffet.service.access.audit import record
from buffet.service.access.roles import Principal
from buffet.service.catalogue import Campaign, Found, FoundRun, StoredFile
from buffet.service.database.engine import reading, writing
from buffet.service.errors import ConflictError
from buffet.service.intake.disk import Stored
from buffet.service.intake.inspection import Inspection, inspect_limited
from buffet.service.intake.names import checked_names
from buffet.service.intake.unpacking import unpack_limited
from buffet.service.jobs import queue
from buffet.service.state import Service

RUNS = "runs"


@dataclass(frozen=True)
class TakenCampaign:
    """A campaign that was taken in."""

    campaign: Campaign
    runs: tuple[FoundRun, ...]
    is_new: bool
    left_out: tuple[str, ...]


@dataclass(frozen=True)
class TakenRun:
    """A run that was taken in."""

    campaign: Campaign
    run: FoundRun
    is_new: bool


@dataclass(frozen=True)
class SentRun:
    """A run as it was sent: its sheet, and the files that this names beside it."""

    sheet_name: str
    sheet: Stored
    files: tuple[tuple[str, Stored], ...]


@dataclass(frozen=True)
class _Tree:
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


def _tree(
    service: Service,
    scratch: Path,
    present: Sequence[StoredFile],
    fresh: Sequence[tuple[str, Stored]],
) -> _Tree:
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
    return _Tree(
        inspection,
        tuple(file for file in every if file.name in kept),
        {stored.sha256: stored.path for name, stored in fresh if name in kept},
    )


def _written(service: Service, tree: _Tree, write: Callable[[Connection], Campaign]) -> Campaign:
    """Take the content in, then write the rows that name it; nothing sweeps in between."""
    with service.blobs.held():
        for sha256, path in tree.fresh.items():
            if path.exists():
                size = path.stat().st_size
                if service.blobs.adopt(path, sha256):
                    service.metrics.taken_in(size)
        with writing(service.engine) as connection:
            return write(connection)


def take_archive(
    service: Service, archive: Path, principal: Principal, address: str
) -> TakenCampaign:
    """Take in a whole campaign from a zip archive, which is gone afterwards.

    Raises
    ------
    IntakeError
        The archive is none, plays tricks, or its sheets have faults.
    """
    try:
        with service.inspections, service.blobs.scratch() as scratch:
            files = scratch / "files"
            files.mkdir()
            unpacked = unpack_limited(archive, files)
            tree = _tree(service, scratch, (), [(one.name, one.stored) for one in unpacked])
            taken: list[bool] = []

            def write(connection: Connection) -> Campaign:
                found, is_new = catalogue.add(connection, tree.found, tree.stored, principal.name)
                taken.append(is_new)
                if is_new:
                    what = {"title": found.title, "content": found.manifest_sha256}
                    _note(connection, principal, address, "upload campaign", found.id, what)
                return found

            campaign = _written(service, tree, write)
    finally:
        archive.unlink(missing_ok=True)
    return TakenCampaign(campaign, tree.found.runs, taken[0], tree.left_out)


def take_run(
    service: Service, campaign_id: int, sent: SentRun, principal: Principal, address: str
) -> TakenRun:
    """Add a run to a campaign; the files that were sent are gone afterwards.

    Raises
    ------
    IntakeError
        A name cannot be kept, or the sheets have faults.
    NotFoundError, ConflictError
        There is no such campaign, or it has another run of this number or file of this name.
    """
    fresh = [(f"{RUNS}/{sent.sheet_name}", sent.sheet)]
    fresh += [(f"{RUNS}/{name}", stored) for name, stored in sent.files]
    try:
        with service.changing(campaign_id), service.inspections:
            return _take_run(service, campaign_id, fresh, principal, address)
    finally:
        for _, stored in fresh:
            stored.path.unlink(missing_ok=True)


def _take_run(
    service: Service,
    campaign_id: int,
    fresh: Sequence[tuple[str, Stored]],
    principal: Principal,
    address: str,
) -> TakenRun:
    sheet_name = fresh[0][0]
    with reading(service.engine) as connection:
        before = catalogue.campaign(connection, campaign_id)
        present = catalogue.files(connection, campaign_id)
    known = {file.name: file.sha256 for file in present}
    if all(known.get(name) == stored.sha256 for name, stored in fresh):
        return _same_run(service, before, sheet_name)
    for name, stored in fresh:
        if known.get(name, stored.sha256) != stored.sha256:
            raise ConflictError(
                f"campaign {campaign_id} has another {name}; put the run that it belongs to into "
                "the bin first, or rename yours"
            )
    added = [(name, stored) for name, stored in fresh if name not in known]
    with service.blobs.scratch() as scratch:
        tree = _tree(service, scratch, present, added)
        run = next(one for one in tree.found.runs if one.sheet == sheet_name)

        def write(connection: Connection) -> Campaign:
            after = catalogue.change(connection, before, tree.found, tree.stored)
            what = {"run": run.number, "content": after.manifest_sha256}
            _note(connection, principal, address, "upload run", campaign_id, what)
            return after

        return TakenRun(_written(service, tree, write), run, True)


def _same_run(service: Service, campaign: Campaign, sheet_name: str) -> TakenRun:
    with reading(service.engine) as connection:
        runs = [run for _, run in catalogue.runs(connection, campaign.id)]
    return TakenRun(campaign, next(run for run in runs if run.sheet == sheet_name), False)


def take_watched(
    service: Service,
    watched: str,
    campaign_id: int | None,
    fresh: Sequence[tuple[str, Stored]],
    principal: Principal,
) -> tuple[Campaign, Found]:
    """Give the campaign of a watched folder files that came or changed there, or make it.

    Files that are gone from the folder stay in the catalogue. The files given are left where they
    are unless their content is taken in.

    Parameters
    ----------
    watched : the folder's name below the watched one
    campaign_id : None where the folder is not in the catalogue yet

    Raises
    ------
    IntakeError
        A name cannot be kept, or the sheets have faults.
    NotFoundError, ConflictError
        The campaign went into the bin or was changed meanwhile.
    """
    lock = nullcontext() if campaign_id is None else service.changing(campaign_id)
    with lock, service.inspections, service.blobs.scratch() as scratch:
        before, present = None, []
        if campaign_id is not None:
            with reading(service.engine) as connection:
                before = catalogue.campaign(connection, campaign_id)
                present = catalogue.files(connection, campaign_id)
        names = {name for name, _ in fresh}
        rest = [file for file in present if file.name not in names]
        tree = _tree(service, scratch, rest, fresh)
        if before is not None and set(tree.stored) == set(present):
            return before, tree.found

        def write(connection: Connection) -> Campaign:
            if before is None:
                after, _ = catalogue.add(
                    connection, tree.found, tree.stored, principal.name, watched
                )
            else:
                after = catalogue.change(connection, before, tree.found, tree.stored)
            what = {"folder": watched, "files": len(fresh), "content": after.manifest_sha256}
            _note(connection, principal, "", "take in from folder", after.id, what)
            return after

        return _written(service, tree, write), tree.found


def waits_of(service: Service, campaign_id: int) -> tuple[Mapping[str, str], ...]:
    """What a campaign as it stands waits for."""
    with service.inspections, service.blobs.scratch() as scratch:
        with reading(service.engine) as connection:
            present = catalogue.files(connection, campaign_id)
        return _tree(service, scratch, present, ()).found.waiting


def _note(
    connection: Connection,
    principal: Principal,
    address: str,
    action: str,
    campaign_id: int,
    details: Mapping[str, object],
) -> None:
    about = f"campaign {campaign_id}"
    record(connection, principal, address, action, about, details, time.time())


def put_into_bin(
    service: Service, campaign_id: int, principal: Principal, address: str
) -> Campaign:
    """Take a campaign out of the list; its analyses end."""
    with writing(service.engine) as connection:
        found = catalogue.put_into_bin(connection, campaign_id, principal.name)
        waiting = catalogue.unfinished_jobs(connection, campaign_id)
        for job_id in waiting:
            queue.end(connection, job_id, "cancelled", "the campaign went into the bin")
        _note(connection, principal, address, "put into bin", campaign_id, {"title": found.title})
    for job_id in waiting:
        service.pool.interrupt(job_id)
    return found


def take_from_bin(
    service: Service, campaign_id: int, principal: Principal, address: str
) -> tuple[Campaign, int]:
    """Put a campaign back into the list; with the number of its runs."""
    with writing(service.engine) as connection:
        found = catalogue.take_from_bin(connection, campaign_id)
        _note(connection, principal, address, "take from bin", campaign_id, {"title": found.title})
        return found, catalogue.run_counts(connection, [campaign_id]).get(campaign_id, 0)


def delete_for_good(service: Service, campaign_id: int, principal: Principal, address: str) -> None:
    """Delete a campaign of the bin, and the content that no other one has."""
    with writing(service.engine) as connection:
        found = catalogue.delete_for_good(connection, campaign_id)
        what = {"title": found.title, "content": found.manifest_sha256}
        _note(connection, principal, address, "delete for good", campaign_id, what)
    service.sweep()


def put_run_into_bin(
    service: Service, campaign_id: int, number: str, principal: Principal, address: str
) -> Campaign:
    """Take a run out of a campaign, with the files that no other sheet names."""
    with service.changing(campaign_id), service.inspections, service.blobs.scratch() as scratch:
        with reading(service.engine) as connection:
            before = catalogue.campaign(connection, campaign_id)
            run = catalogue.run(connection, campaign_id, number)
            present = catalogue.files(connection, campaign_id)
        tree = _tree(service, scratch, [file for file in present if file.name != run.sheet], ())

        def write(connection: Connection) -> Campaign:
            after = catalogue.change(connection, before, tree.found, tree.stored, binned_run=number)
            what = {"run": number, "content": after.manifest_sha256}
            _note(connection, principal, address, "put run into bin", campaign_id, what)
            return after

        return _written(service, tree, write)


def take_run_from_bin(
    service: Service, campaign_id: int, number: str, principal: Principal, address: str
) -> TakenRun:
    """Put a run back into its campaign.

    Raises
    ------
    NotFoundError, ConflictError
        The bin has no such run, or the campaign has another file of such a name by now.
    """
    with service.changing(campaign_id), service.inspections, service.blobs.scratch() as scratch:
        with reading(service.engine) as connection:
            before = catalogue.campaign(connection, campaign_id)
            present = catalogue.files(connection, campaign_id)
            back = catalogue.binned_files(connection, campaign_id, number)
        known = {file.name: file.sha256 for file in present}
        for file in back:
            if known.get(file.name, file.sha256) != file.sha256:
                raise ConflictError(f"campaign {campaign_id} has another {file.name} by now")
        every = [*present, *(file for file in back if file.name not in known)]
        tree = _tree(service, scratch, every, ())

        def write(connection: Connection) -> Campaign:
            catalogue.forget_binned(connection, campaign_id, number)
            after = catalogue.change(connection, before, tree.found, tree.stored)
            what = {"run": number, "content": after.manifest_sha256}
            _note(connection, principal, address, "take run from bin", campaign_id, what)
            return after

        campaign = _written(service, tree, write)
        run = next(one for one in tree.found.runs if one.number == number)
        return TakenRun(campaign, run, True)
