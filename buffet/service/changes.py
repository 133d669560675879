"""What comes into the catalogue: looked at first, then written whole, and audited."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection

from buffet.service import catalogue
from buffet.service.access.roles import Principal
from buffet.service.catalogue import Campaign, Found, FoundRun
from buffet.service.database.engine import reading
from buffet.service.errors import ConflictError
from buffet.service.intake.disk import Stored
from buffet.service.intake.unpacking import unpack_limited
from buffet.service.state import Service
from buffet.service.trees import note, still_there, tree_of, written

RUNS = "runs"
Expect = Callable[[Campaign], None]


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
        with service.blobs.scratch() as scratch:
            files = scratch / "files"
            files.mkdir()
            with service.unpackings:
                unpacked = unpack_limited(archive, files)
            with service.inspections:
                tree = tree_of(service, scratch, (), [(one.name, one.stored) for one in unpacked])
            taken: list[bool] = []

            def write(connection: Connection) -> Campaign:
                found, is_new = catalogue.add(connection, tree.found, tree.stored, principal.name)
                taken.append(is_new)
                if is_new:
                    what = {"title": found.title, "content": found.manifest_sha256}
                    note(connection, principal, address, "upload campaign", found.id, what)
                return found

            campaign = written(service, tree, write)
    finally:
        archive.unlink(missing_ok=True)
    return TakenCampaign(campaign, tree.found.runs, taken[0], tree.left_out)


def take_run(
    service: Service,
    campaign_id: int,
    sent: SentRun,
    principal: Principal,
    address: str,
    expect: Expect = lambda found: None,
) -> TakenRun:
    """Add a run to a campaign; the files that were sent are gone afterwards.

    Parameters
    ----------
    expect : raises where the campaign is not the one that the sender saw

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
            return _take_run(service, campaign_id, fresh, principal, address, expect)
    finally:
        for _, stored in fresh:
            stored.path.unlink(missing_ok=True)


def _take_run(
    service: Service,
    campaign_id: int,
    fresh: Sequence[tuple[str, Stored]],
    principal: Principal,
    address: str,
    expect: Expect,
) -> TakenRun:
    sheet_name = fresh[0][0]
    with reading(service.engine) as connection:
        before = catalogue.campaign(connection, campaign_id)
        expect(before)
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
        with still_there(service, campaign_id):
            tree = tree_of(service, scratch, present, added)
        run = next(one for one in tree.found.runs if one.sheet == sheet_name)

        def write(connection: Connection) -> Campaign:
            after = catalogue.change(connection, before, tree.found, tree.stored)
            what = {"run": run.number, "content": after.manifest_sha256}
            note(connection, principal, address, "upload run", campaign_id, what)
            return after

        return TakenRun(written(service, tree, write), run, True)


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
        tree = tree_of(service, scratch, rest, fresh)
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
            note(connection, principal, "", "take in from folder", after.id, what)
            return after

        return written(service, tree, write), tree.found


def waits_of(service: Service, campaign_id: int) -> tuple[Mapping[str, str], ...]:
    """What a campaign as it stands waits for."""
    with service.inspections, service.blobs.scratch() as scratch:
        with reading(service.engine) as connection:
            present = catalogue.files(connection, campaign_id)
        return tree_of(service, scratch, present, ()).found.waiting
