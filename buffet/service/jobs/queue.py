"""Jobs in the database: what waits, what runs, what became of it.

A job that was acknowledged is a row; it stays until it has ended, whatever dies meanwhile.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, case, func, insert, select, update

from buffet.service.database.tables import CAMPAIGNS, JOB_EVENTS, JOBS, RESULTS
from buffet.service.errors import ConflictError, NotFoundError, QueueFullError
from buffet.service.jobs.requests import result_key

MOST_ATTEMPTS = 3  # of a job whose worker dies under it
LONGEST_PASSED_S = 60.0  # that others may go before a job because their campaign is at hand
SHOWN_NEWEST = ("board", "compare")  # kinds of which a page shows the newest, whatever its settings
UNFINISHED = ("queued", "running")
ENDED = ("done", "failed", "cancelled")


@dataclass(frozen=True)
class Job:
    """One analysis that was asked for."""

    id: int
    campaign_id: int
    kind: str
    settings: dict[str, Any]
    manifest_sha256: str
    result_key: str
    state: str
    attempts: int
    error: str | None
    created_at: float
    started_at: float | None
    ended_at: float | None
    created_by: str

    @property
    def is_ended(self) -> bool:
        """Whether nothing will change any more."""
        return self.state in ENDED


@dataclass(frozen=True)
class Event:
    """Something that happened to a job; numbers count from 1 within it."""

    number: int
    at: float
    kind: str  # queued, started, progress, done, failed, cancelled
    data: dict[str, Any]


@dataclass(frozen=True)
class Result:
    """A computed document or file."""

    key: str
    campaign_id: int
    kind: str
    sha256: str
    size: int
    media_type: str
    created_at: float


def _job(row: Row[Any]) -> Job:
    return Job(**row._mapping)


def job(connection: Connection, job_id: int) -> Job:
    """Raises NotFoundError where there is none."""
    row = connection.execute(select(JOBS).where(JOBS.c.id == job_id)).one_or_none()
    if row is None:
        raise NotFoundError(f"there is no job {job_id}")
    return _job(row)


def jobs(
    connection: Connection,
    campaign_id: int | None = None,
    *,
    states: Sequence[str] = (),
    before: int | None = None,
    limit: int = 50,
) -> list[Job]:
    """Newest first; `before` is the id of the last one seen."""
    query = select(JOBS).order_by(JOBS.c.id.desc()).limit(limit)
    if campaign_id is not None:
        query = query.where(JOBS.c.campaign_id == campaign_id)
    if states:
        query = query.where(JOBS.c.state.in_(states))
    if before is not None:
        query = query.where(JOBS.c.id < before)
    return [_job(row) for row in connection.execute(query)]


def result(connection: Connection, key: str) -> Result | None:
    """A result by its key; None where it is not computed."""
    row = connection.execute(select(RESULTS).where(RESULTS.c.key == key)).one_or_none()
    return None if row is None else Result(**row._mapping)


def add(
    connection: Connection,
    campaign_id: int,
    kind: str,
    settings: dict[str, Any],
    key: str,
    manifest_sha256: str,
    actor: str,
    longest_queue: int,
) -> tuple[Job, bool]:
    """The job that computes a result, and whether it is new.

    One that waits, runs or is done for the same key stands for all who ask.

    Raises
    ------
    QueueFullError
        As many jobs wait as may.
    """
    alive = JOBS.c.state.in_(UNFINISHED)
    if result(connection, key) is not None:
        alive = JOBS.c.state.in_((*UNFINISHED, "done"))
    same = select(JOBS).where(JOBS.c.result_key == key, JOBS.c.campaign_id == campaign_id, alive)
    row = connection.execute(same.order_by(JOBS.c.id.desc()).limit(1)).one_or_none()
    if row is not None and _is_passed(connection, row):
        return _done_again(connection, row, actor), False
    if row is not None:
        return _job(row), False
    waiting = connection.scalar(
        select(func.count()).select_from(JOBS).where(JOBS.c.state == "queued")
    )
    if waiting is not None and waiting >= longest_queue:
        raise QueueFullError(
            f"{waiting} analyses wait already; try again when some of them are done"
        )
    values = {
        "campaign_id": campaign_id,
        "kind": kind,
        "settings": settings,
        "manifest_sha256": manifest_sha256,
        "result_key": key,
        "state": "queued",
        "attempts": 0,
        "created_at": time.time(),
        "created_by": actor,
    }
    (job_id,) = connection.execute(insert(JOBS).values(values)).inserted_primary_key or (0,)
    tell(connection, job_id, "queued", {})
    return job(connection, job_id), True


def _is_passed(connection: Connection, found: Row[Any]) -> bool:
    """Whether pages show another result by now: at another speed, or of another content."""
    if found.kind not in SHOWN_NEWEST or found.state != "done":
        return False
    later = (JOBS.c.campaign_id == found.campaign_id, JOBS.c.kind == found.kind)
    query = select(JOBS.c.id).where(*later, JOBS.c.id > found.id, JOBS.c.state == "done")
    return connection.execute(query.limit(1)).first() is not None


def _done_again(connection: Connection, found: Row[Any], actor: str) -> Job:
    """A job that is done as soon as it is asked for: its result is there."""
    now = time.time()
    times = {"created_at": now, "started_at": now, "ended_at": now}
    values = {**found._mapping, **times, "created_by": actor}
    del values["id"]
    (job_id,) = connection.execute(insert(JOBS).values(values)).inserted_primary_key or (0,)
    tell(connection, job_id, "queued", {})
    tell(connection, job_id, "done", {})
    return job(connection, job_id)


def tell(connection: Connection, job_id: int, kind: str, data: dict[str, Any]) -> None:
    """Add an event."""
    last = select(func.coalesce(func.max(JOB_EVENTS.c.number), 0)).where(
        JOB_EVENTS.c.job_id == job_id
    )
    number = (connection.scalar(last) or 0) + 1
    row = {"job_id": job_id, "number": number, "at": time.time(), "kind": kind, "data": data}
    connection.execute(insert(JOB_EVENTS).values(row))


def events(connection: Connection, job_id: int, after: int = 0) -> list[Event]:
    """Of a job, oldest first, after a number."""
    query = (
        select(JOB_EVENTS.c.number, JOB_EVENTS.c.at, JOB_EVENTS.c.kind, JOB_EVENTS.c.data)
        .where(JOB_EVENTS.c.job_id == job_id, JOB_EVENTS.c.number > after)
        .order_by(JOB_EVENTS.c.number)
    )
    return [Event(*row) for row in connection.execute(query)]


def claim(connection: Connection, prefer: int = 0) -> Job | None:
    """Take the next job that waits, one of the preferred campaign first; None where none waits.

    Workers keep what they analysed of their last campaign, so its jobs go to the same worker. A
    campaign that changed since is analysed as it stands now.
    """
    waiting = select(JOBS).where(JOBS.c.state == "queued").order_by(JOBS.c.id)
    while (row := connection.execute(waiting.limit(1)).one_or_none()) is not None:
        if time.time() - row.created_at < LONGEST_PASSED_S:
            same = waiting.where(JOBS.c.campaign_id == prefer).limit(1)
            row = connection.execute(same).one_or_none() or row
        of_campaign = select(CAMPAIGNS.c.manifest_sha256).where(CAMPAIGNS.c.id == row.campaign_id)
        present = connection.execute(of_campaign).scalar_one()
        taken: dict[str, Any] = {}
        if present != row.manifest_sha256:
            key = result_key(present, row.kind, row.settings)
            taken = {"manifest_sha256": present, "result_key": key}
        if "result_key" in taken and result(connection, taken["result_key"]) is not None:
            connection.execute(update(JOBS).where(JOBS.c.id == row.id).values(taken))
            end(connection, row.id, "done")
            continue
        taken |= {"state": "running", "started_at": time.time(), "attempts": row.attempts + 1}
        connection.execute(update(JOBS).where(JOBS.c.id == row.id).values(taken))
        tell(connection, row.id, "started", {"attempt": row.attempts + 1})
        return job(connection, row.id)
    return None


def end(connection: Connection, job_id: int, state: str, error: str | None = None) -> bool:
    """Note how a job ended; False where it had ended before."""
    ended: dict[str, Any] = {"state": state, "error": error, "ended_at": time.time()}
    alive = (JOBS.c.id == job_id, JOBS.c.state.in_(UNFINISHED))
    changed = connection.execute(update(JOBS).where(*alive).values(ended)).rowcount == 1
    if changed:
        tell(connection, job_id, state, {} if error is None else {"error": error})
    return changed


def keep(connection: Connection, done: Job, sha256: str, size: int, media_type: str) -> None:
    """Note a result, whose content is on disk, and that its job is done."""
    if not end(connection, done.id, "done"):
        return  # cancelled, or its campaign is gone, in the last moment
    if result(connection, done.result_key) is None:
        row = {
            "key": done.result_key,
            "campaign_id": done.campaign_id,
            "kind": done.kind,
            "sha256": sha256,
            "size": size,
            "media_type": media_type,
            "created_at": time.time(),
        }
        connection.execute(insert(RESULTS).values(row))


def put_back(connection: Connection, job_id: int, *, counts: bool = True) -> None:
    """Have a job that runs run again, unless its worker died under it too often.

    Parameters
    ----------
    counts : whether the attempt counts; a server that stops takes nothing away from a job
    """
    running = select(JOBS).where(JOBS.c.id == job_id, JOBS.c.state == "running")
    found = connection.execute(running).one_or_none()
    if found is None:  # cancelled, or gone with its campaign
        return
    if counts and found.attempts >= MOST_ATTEMPTS:
        told = f"the worker died {found.attempts} times under it, perhaps for want of memory"
        end(connection, job_id, "failed", f"{told}: the server's log says more")
        return
    values: dict[str, Any] = {"state": "queued", "started_at": None}
    if not counts:
        values |= {"attempts": found.attempts - 1}
    connection.execute(update(JOBS).where(JOBS.c.id == job_id).values(values))
    tell(connection, job_id, "queued", {"again": True})


def unfinished(connection: Connection) -> list[int]:
    """Ids of jobs that a server left running."""
    return list(connection.scalars(select(JOBS.c.id).where(JOBS.c.state == "running")))


def require_cancellable(found: Job) -> None:
    """Raises ConflictError where a job has ended."""
    if found.is_ended:
        raise ConflictError(f"job {found.id} is {found.state}; there is nothing to cancel")


def newest(
    connection: Connection,
    campaign_id: int,
    kind: str,
    states: Sequence[str] = (),
    *,
    content: str = "",
) -> Job | None:
    """The newest job of a kind, of this content where there is one; None where there is none."""
    query = select(JOBS).where(JOBS.c.campaign_id == campaign_id, JOBS.c.kind == kind)
    if states:
        query = query.where(JOBS.c.state.in_(states))
    own_first = case((JOBS.c.manifest_sha256 == content, 0), else_=1)
    row = connection.execute(query.order_by(own_first, JOBS.c.id.desc()).limit(1)).one_or_none()
    return None if row is None else _job(row)


def newest_of_run(
    connection: Connection, campaign_id: int, number: str, content: str
) -> Job | None:
    """The newest job that looked at a run and is done, of this content where there is one.

    Else the newest; None where none did.
    """
    query = select(JOBS).where(
        JOBS.c.campaign_id == campaign_id,
        JOBS.c.kind == "run",
        JOBS.c.settings["run"].as_string() == number,
    )
    done_first = case((JOBS.c.state == "done", 0), else_=1)
    own_first = case((JOBS.c.manifest_sha256 == content, 0), else_=1)
    order = (done_first, own_first, JOBS.c.id.desc())
    row = connection.execute(query.order_by(*order).limit(1)).one_or_none()
    return None if row is None else _job(row)


def place(connection: Connection, job_id: int) -> int:
    """How many jobs wait before one that waits."""
    before = select(func.count()).select_from(JOBS)
    count = connection.scalar(before.where(JOBS.c.state == "queued", JOBS.c.id < job_id))
    return int(count or 0)
