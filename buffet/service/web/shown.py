"""What pages are given: entries of the catalogue and the queue, and results as documents."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, cast

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from buffet.service import catalogue
from buffet.service.access.roles import Principal
from buffet.service.jobs import queue
from buffet.service.jobs.queue import Job
from buffet.service.pages.board_view import headline, place_of
from buffet.service.pages.entries import CampaignEntry, JobEntry, JobState, RunEntry
from buffet.service.pages.frame import Frame, Pager, Role
from buffet.service.state import Service

# What was just done, by the word that stands in the address.
NOTICES = {
    "uploaded": "The campaign was taken in.",
    "left": "The campaign was taken in, but for files that no sheet names.",
    "there": "The same content was here already: this is it.",
    "run": "The run was taken in.",
    "full": "It was taken in. Too many analyses wait already: start its own when some are done.",
    "binned": "It is in the bin, from where it can be brought back.",
    "restored": "It is back.",
    "deleted": "It is deleted for good.",
    "cancelled": "The job was cancelled.",
    "revoked": "The token opens nothing any more.",
}
LONGEST_LIST = 50


def frame_of(request: Request, principal: Principal | None) -> Frame:
    """What surrounds a page."""
    return Frame(
        user=None if principal is None else principal.name,
        role=None if principal is None else cast("Role", principal.role.word),
        form_token=request.state.form_token or "",
        has_session=principal is not None and principal.session_id is not None,
        notice=NOTICES.get(request.query_params.get("done", "")),
    )


def page(text: str, status: int = 200) -> HTMLResponse:
    """A page that no shared cache keeps."""
    return HTMLResponse(text, status, headers={"Cache-Control": "no-store"})


def seen(address: str) -> RedirectResponse:
    """After a form: look there, by GET."""
    return RedirectResponse(address, status_code=303)


def campaign_entry(one: catalogue.Campaign, n_runs: int) -> CampaignEntry:
    """A campaign for its pages."""
    return CampaignEntry(
        one.id,
        one.title,
        one.baseline,
        tuple(one.configurations),
        n_runs,
        one.changed_at,
        one.created_by,
        one.watched,
        tuple(f"{fault['file']}: {fault['problem']}" for fault in one.waiting),
    )


def entry_of(connection: Connection, campaign_id: int) -> tuple[catalogue.Campaign, CampaignEntry]:
    """A campaign and its entry; raises NotFoundError."""
    found = catalogue.campaign(connection, campaign_id)
    n_runs = catalogue.run_counts(connection, [campaign_id]).get(campaign_id, 0)
    return found, campaign_entry(found, n_runs)


def run_entry(one: catalogue.FoundRun) -> RunEntry:
    """A run for its pages."""
    return RunEntry(one.number, one.kind, one.configuration, one.size, one.is_waiting)


def job_entry(one: Job, title: str) -> JobEntry:
    """A job for its pages."""
    return JobEntry(
        one.id,
        one.campaign_id,
        title,
        one.kind,
        cast("JobState", one.state),
        one.created_at,
        one.created_by,
        one.started_at,
        one.ended_at,
        one.error,
    )


def document(service: Service, connection: Connection, done: Job) -> dict[str, Any] | None:
    """What a job computed, where that is still there."""
    place = _place(service, connection, done)
    return None if place is None else json.loads(place.read_bytes())


def board_headline(service: Service, connection: Connection, done: Job) -> str:
    """The verdicts of a board at the speed it was asked for, in a line; empty without one."""
    place = _place(service, connection, done)
    return "" if place is None else _headline(place)


@lru_cache(maxsize=1000)
def _headline(place: Path) -> str:
    """Of content, which never changes: a list shows many boards, each of them long."""
    board = json.loads(place.read_bytes())
    return headline(board, place_of(board, None))


def _place(service: Service, connection: Connection, done: Job) -> Path | None:
    found = queue.result(connection, done.result_key)
    if found is None or found.media_type != "application/json":
        return None
    return service.blobs.path(found.sha256)


def pager(first: int, shown: Sequence[object], next_address: str | None) -> Pager:
    """Where a list goes on; it is walked forwards, and back by the browser."""
    told = f"{len(shown)} shown" if first == 0 else f"{len(shown)} more"
    return Pager(told, None, next_address)
