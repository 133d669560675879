"""The bin: out of the catalogue and back, and away for good; each change is audited."""

from __future__ import annotations

from sqlalchemy import Connection

from buffet.service import binned_runs, catalogue
from buffet.service.access.roles import Principal
from buffet.service.catalogue import Campaign
from buffet.service.changes import Expect, TakenRun
from buffet.service.database.engine import reading, writing
from buffet.service.errors import ConflictError
from buffet.service.jobs import queue
from buffet.service.state import Service
from buffet.service.trees import note, still_there, tree_of, written


def put_into_bin(
    service: Service,
    campaign_id: int,
    principal: Principal,
    address: str,
    expect: Expect = lambda found: None,
) -> Campaign:
    """Take a campaign out of the list; its analyses end.

    `expect` raises where it is not the one that was seen.
    """
    with writing(service.engine) as connection:
        expect(catalogue.campaign(connection, campaign_id))
        found = catalogue.put_into_bin(connection, campaign_id, principal.name)
        waiting = catalogue.unfinished_jobs(connection, campaign_id)
        for job_id in waiting:
            queue.end(connection, job_id, "cancelled", "the campaign went into the bin")
        note(connection, principal, address, "put into bin", campaign_id, {"title": found.title})
    for job_id in waiting:
        service.pool.interrupt(job_id)
    return found


def take_from_bin(
    service: Service, campaign_id: int, principal: Principal, address: str
) -> tuple[Campaign, int]:
    """Put a campaign back into the list; with the number of its runs."""
    with writing(service.engine) as connection:
        found = catalogue.take_from_bin(connection, campaign_id)
        note(connection, principal, address, "take from bin", campaign_id, {"title": found.title})
        return found, catalogue.run_counts(connection, [campaign_id]).get(campaign_id, 0)


def delete_for_good(service: Service, campaign_id: int, principal: Principal, address: str) -> None:
    """Delete a campaign of the bin, and the content that no other one has."""
    with writing(service.engine) as connection:
        found = catalogue.delete_for_good(connection, campaign_id)
        what = {"title": found.title, "content": found.manifest_sha256}
        note(connection, principal, address, "delete for good", campaign_id, what)
    service.sweep()


def put_run_into_bin(
    service: Service,
    campaign_id: int,
    number: str,
    principal: Principal,
    address: str,
    expect: Expect = lambda found: None,
) -> Campaign:
    """Take a run out of a campaign, with the files that no other sheet names."""
    with service.changing(campaign_id), service.inspections, service.blobs.scratch() as scratch:
        with reading(service.engine) as connection:
            before = catalogue.campaign(connection, campaign_id)
            expect(before)
            run = catalogue.run(connection, campaign_id, number)
            present = catalogue.files(connection, campaign_id)
        with still_there(service, campaign_id):
            left = [file for file in present if file.name != run.sheet]
            tree = tree_of(service, scratch, left, ())

        def write(connection: Connection) -> Campaign:
            after = catalogue.change(connection, before, tree.found, tree.stored, binned_run=number)
            what = {"run": number, "content": after.manifest_sha256}
            note(connection, principal, address, "put run into bin", campaign_id, what)
            return after

        return written(service, tree, write)


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
            back = binned_runs.files_of(connection, campaign_id, number)
        known = {file.name: file.sha256 for file in present}
        for file in back:
            if known.get(file.name, file.sha256) != file.sha256:
                raise ConflictError(f"campaign {campaign_id} has another {file.name} by now")
        every = [*present, *(file for file in back if file.name not in known)]
        with still_there(service, campaign_id):
            tree = tree_of(service, scratch, every, ())

        def write(connection: Connection) -> Campaign:
            binned_runs.forget(connection, campaign_id, number)
            after = catalogue.change(connection, before, tree.found, tree.stored)
            what = {"run": number, "content": after.manifest_sha256}
            note(connection, principal, address, "take run from bin", campaign_id, what)
            return after

        campaign = written(service, tree, write)
        run = next(one for one in tree.found.runs if one.number == number)
        return TakenRun(campaign, run, True)
