"""Campaigns in the catalogue: their files and runs, what changes them, and the bin."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, delete, func, insert, or_, select, update

from buffet.service.database.tables import CAMPAIGNS, FILES, JOBS, RESULTS, RUNS
from buffet.service.errors import ConflictError, NotFoundError


@dataclass(frozen=True)
class StoredFile:
    """A file of a campaign, whose content is on disk."""

    name: str  # relative to the campaign folder
    sha256: str
    size: int


@dataclass(frozen=True)
class FoundRun:
    """A run as the sheets state it."""

    number: str
    kind: str
    configuration: str | None
    sheet: str
    files: tuple[str, ...]  # names of its recordings
    size: int  # of these
    details: Mapping[str, Any]
    is_waiting: bool = False


@dataclass(frozen=True)
class Found:
    """What an inspection says of a campaign's files as a whole."""

    title: str
    baseline: str | None
    configurations: tuple[str, ...]
    runs: tuple[FoundRun, ...]
    waiting: tuple[Mapping[str, str], ...]


@dataclass(frozen=True)
class Campaign:
    """A campaign of the catalogue."""

    id: int
    title: str
    baseline: str | None
    configurations: list[str]
    manifest_sha256: str
    revision: int
    waiting: list[dict[str, str]]
    watched: str | None
    created_at: float
    changed_at: float
    created_by: str
    binned_at: float | None
    binned_by: str | None


def manifest_sha256(files: Iterable[StoredFile]) -> str:
    """Content hash of a campaign: of its files' digests and names, sorted by name."""
    lines = sorted((file.name, file.sha256) for file in files)
    text = "".join(f"{sha256}  {name}\n" for name, sha256 in lines)
    return hashlib.sha256(text.encode()).hexdigest()


def campaign(connection: Connection, campaign_id: int, *, binned: bool = False) -> Campaign:
    """One campaign.

    Raises
    ------
    NotFoundError
        There is none, or it is in the bin (with `binned`: it is not).
    """
    query = select(CAMPAIGNS).where(CAMPAIGNS.c.id == campaign_id)
    row = connection.execute(query).one_or_none()
    if row is None or (row.binned_at is not None) is not binned:
        where = "in the bin" if binned else "here"
        moved = "; it is in the bin" if row is not None and not binned else ""
        raise NotFoundError(f"campaign {campaign_id} is not {where}{moved}")
    return _campaign(row)


def _campaign(row: Row[Any]) -> Campaign:
    return Campaign(**row._mapping)


def campaigns(
    connection: Connection,
    *,
    search: str = "",
    before: int | None = None,
    limit: int = 50,
    binned: bool = False,
) -> list[Campaign]:
    """Newest first.

    Parameters
    ----------
    search : a part of a title or of a configuration's name, or a run's number
    before : id of the last one seen
    """
    live = CAMPAIGNS.c.binned_at.is_not(None) if binned else CAMPAIGNS.c.binned_at.is_(None)
    query = select(CAMPAIGNS).where(live).order_by(CAMPAIGNS.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(CAMPAIGNS.c.id < before)
    if search:
        query = query.where(_has(search))
    return [_campaign(row) for row in connection.execute(query)]


def _has(search: str) -> ColumnElement[bool]:
    """A title or a configuration that holds a text, or a run of that number."""
    own = RUNS.c.campaign_id == CAMPAIGNS.c.id
    named = RUNS.c.configuration.icontains(search, autoescape=True)
    return or_(
        CAMPAIGNS.c.title.icontains(search, autoescape=True),
        select(RUNS.c.id).where(own, or_(named, RUNS.c.number == search)).exists(),
    )


def run_counts(connection: Connection, ids: Sequence[int]) -> dict[int, int]:
    """Number of runs by campaign."""
    query = (
        select(RUNS.c.campaign_id, func.count())
        .where(RUNS.c.campaign_id.in_(ids))
        .group_by(RUNS.c.campaign_id)
    )
    return {row[0]: row[1] for row in connection.execute(query)}


def runs(
    connection: Connection, campaign_id: int, *, after: int = -1, limit: int | None = None
) -> list[tuple[int, FoundRun]]:
    """Runs with their positions, in the campaign's order; `after` is the last position seen."""
    query = (
        select(RUNS)
        .where(RUNS.c.campaign_id == campaign_id, RUNS.c.position > after)
        .order_by(RUNS.c.position)
    )
    return [(row.position, _run(row)) for row in connection.execute(query.limit(limit))]


def run(connection: Connection, campaign_id: int, number: str) -> FoundRun:
    """One run by its number; raises NotFoundError where there is none."""
    query = select(RUNS).where(RUNS.c.campaign_id == campaign_id, RUNS.c.number == number)
    row = connection.execute(query).one_or_none()
    if row is None:
        raise NotFoundError(f"campaign {campaign_id} has no run {number!r}")
    return _run(row)


def _run(row: Row[Any]) -> FoundRun:
    return FoundRun(
        row.number,
        row.kind,
        row.configuration,
        row.sheet,
        tuple(row.files),
        row.size,
        row.details,
        row.is_waiting,
    )


def files(connection: Connection, campaign_id: int) -> list[StoredFile]:
    """Files of a campaign as it stands, by name."""
    query = (
        select(FILES.c.name, FILES.c.sha256, FILES.c.size)
        .where(FILES.c.campaign_id == campaign_id, FILES.c.binned_at.is_(None))
        .order_by(FILES.c.name)
    )
    return [StoredFile(*row) for row in connection.execute(query)]


def same_content(connection: Connection, manifest: str, watched: str | None) -> Campaign | None:
    """The campaign that has this content, came the same way, and is not in the bin."""
    query = select(CAMPAIGNS).where(
        CAMPAIGNS.c.manifest_sha256 == manifest,
        CAMPAIGNS.c.binned_at.is_(None),
        CAMPAIGNS.c.watched.is_not_distinct_from(watched),
    )
    row = connection.execute(query.order_by(CAMPAIGNS.c.id).limit(1)).one_or_none()
    return None if row is None else _campaign(row)


def add(
    connection: Connection,
    found: Found,
    stored: Sequence[StoredFile],
    actor: str,
    watched: str | None = None,
) -> tuple[Campaign, bool]:
    """A campaign of these files, and whether it is new: the same content is one campaign."""
    manifest = manifest_sha256(stored)
    present = same_content(connection, manifest, watched)
    if present is not None:
        return present, False
    now = time.time()
    row = {
        **_columns(found),
        "manifest_sha256": manifest,
        "revision": 1,
        "watched": watched,
        "created_at": now,
        "changed_at": now,
        "created_by": actor,
    }
    (new_id,) = connection.execute(insert(CAMPAIGNS).values(row)).inserted_primary_key or (0,)
    _add_files(connection, new_id, stored)
    _write_runs(connection, new_id, found)
    return campaign(connection, new_id), True


def change(
    connection: Connection,
    before: Campaign,
    found: Found,
    stored: Sequence[StoredFile],
    *,
    binned_run: str | None = None,
) -> Campaign:
    """Give a campaign other files, as an inspection found them.

    Parameters
    ----------
    before : the campaign that the inspection saw
    stored : all files from now on
    binned_run : number of the run that goes into the bin with the files that are gone

    Raises
    ------
    ConflictError
        It was changed meanwhile.
    """
    present = campaign(connection, before.id)
    if present.revision != before.revision:
        raise ConflictError(
            f"campaign {before.id} was changed meanwhile (revision {present.revision}, not "
            f"{before.revision}); look at it again, then repeat"
        )
    now = time.time()
    old = {(file.name, file.sha256) for file in files(connection, before.id)}
    new = {(file.name, file.sha256) for file in stored}
    for name, _ in old - new:
        live = (FILES.c.campaign_id == before.id, FILES.c.name == name, FILES.c.binned_at.is_(None))
        gone = {"binned_at": now, "binned_run": binned_run}
        connection.execute(update(FILES).where(*live).values(gone))
    _add_files(connection, before.id, [f for f in stored if (f.name, f.sha256) not in old])
    values = {
        **_columns(found),
        "manifest_sha256": manifest_sha256(stored),
        "revision": before.revision + 1,
        "changed_at": now,
    }
    connection.execute(update(CAMPAIGNS).where(CAMPAIGNS.c.id == before.id).values(values))
    _write_runs(connection, before.id, found)
    return campaign(connection, before.id)


def _columns(found: Found) -> dict[str, Any]:
    return {
        "title": found.title,
        "baseline": found.baseline,
        "configurations": list(found.configurations),
        "waiting": [dict(fault) for fault in found.waiting],
    }


def _add_files(connection: Connection, campaign_id: int, stored: Sequence[StoredFile]) -> None:
    now = time.time()
    rows = [
        {
            "campaign_id": campaign_id,
            "name": file.name,
            "sha256": file.sha256,
            "size": file.size,
            "added_at": now,
        }
        for file in stored
    ]
    if rows:
        connection.execute(insert(FILES), rows)


def _write_runs(connection: Connection, campaign_id: int, found: Found) -> None:
    connection.execute(delete(RUNS).where(RUNS.c.campaign_id == campaign_id))
    rows = [
        {
            "campaign_id": campaign_id,
            "position": position,
            "number": one.number,
            "kind": one.kind,
            "configuration": one.configuration,
            "sheet": one.sheet,
            "files": list(one.files),
            "size": one.size,
            "details": dict(one.details),
            "is_waiting": one.is_waiting,
        }
        for position, one in enumerate(found.runs)
    ]
    if rows:
        connection.execute(insert(RUNS), rows)


def put_into_bin(connection: Connection, campaign_id: int, actor: str) -> Campaign:
    """Out of the list, with all it has; raises NotFoundError where it is not in the list."""
    campaign(connection, campaign_id)
    values = {"binned_at": time.time(), "binned_by": actor}
    connection.execute(update(CAMPAIGNS).where(CAMPAIGNS.c.id == campaign_id).values(values))
    return campaign(connection, campaign_id, binned=True)


def take_from_bin(connection: Connection, campaign_id: int) -> Campaign:
    """Back into the list.

    Raises
    ------
    NotFoundError
        It is not in the bin.
    ConflictError
        The same folder is watched as another campaign by now.
    """
    found = campaign(connection, campaign_id, binned=True)
    if found.watched is not None:
        again = select(CAMPAIGNS.c.id).where(
            CAMPAIGNS.c.watched == found.watched, CAMPAIGNS.c.binned_at.is_(None)
        )
        other = connection.scalar(again)
        if other is not None:
            raise ConflictError(
                f"the folder of campaign {campaign_id} is watched as campaign {other} by now; "
                "put that one into the bin first"
            )
    values = {"binned_at": None, "binned_by": None}
    connection.execute(update(CAMPAIGNS).where(CAMPAIGNS.c.id == campaign_id).values(values))
    return campaign(connection, campaign_id)


def delete_for_good(connection: Connection, campaign_id: int) -> Campaign:
    """A campaign of the bin with its files, jobs and results; raises NotFoundError without one."""
    found = campaign(connection, campaign_id, binned=True)
    # Another campaign of the same content shares results with it, and keeps them.
    other = (JOBS.c.result_key == RESULTS.c.key) & (JOBS.c.campaign_id != campaign_id)
    done = select(JOBS.c.campaign_id).where(other & (JOBS.c.state == "done"))
    shared = (RESULTS.c.campaign_id == campaign_id, done.exists())
    heir = done.order_by(JOBS.c.id).limit(1).scalar_subquery()
    connection.execute(update(RESULTS).where(*shared).values(campaign_id=heir))
    connection.execute(delete(CAMPAIGNS).where(CAMPAIGNS.c.id == campaign_id))
    return found


def known_content(connection: Connection) -> set[str]:
    """Digests of all content that a row names."""
    named = {*connection.scalars(select(FILES.c.sha256).distinct())}
    return named | {*connection.scalars(select(RESULTS.c.sha256).distinct())}


def title_of(connection: Connection, campaign_id: int) -> str:
    """Of a campaign, in the bin or not."""
    found = connection.scalar(select(CAMPAIGNS.c.title).where(CAMPAIGNS.c.id == campaign_id))
    return str(found or "")


def sizes(connection: Connection, ids: Sequence[int]) -> dict[int, int]:
    """Bytes of all files by campaign, those in the bin among them."""
    query = (
        select(FILES.c.campaign_id, func.sum(FILES.c.size))
        .where(FILES.c.campaign_id.in_(ids))
        .group_by(FILES.c.campaign_id)
    )
    return {row[0]: int(row[1]) for row in connection.execute(query)}


def unfinished_jobs(connection: Connection, campaign_id: int) -> list[int]:
    """Ids of jobs of a campaign that wait or run."""
    alive = or_(JOBS.c.state == "queued", JOBS.c.state == "running")
    query = select(JOBS.c.id).where(JOBS.c.campaign_id == campaign_id, alive)
    return list(connection.scalars(query))
