"""The list, the board, comparisons and runs."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response
from pydantic import TypeAdapter, ValidationError
from sqlalchemy import Connection

from buffet.service import binning, catalogue
from buffet.service.api.dependencies import Address, Engineer, Reader, ServiceHere, inspecting
from buffet.service.api.paging import Before, CampaignId, RunNumber, Search
from buffet.service.database.engine import reading
from buffet.service.intake.errors import BadFormError
from buffet.service.jobs import queue
from buffet.service.jobs.requests import Analysis, Settings
from buffet.service.pages.campaigns import (
    CampaignBoard,
    CampaignList,
    ListedCampaign,
    board_page,
    list_page,
)
from buffet.service.pages.compare import ComparePage, compare_page
from buffet.service.pages.run import RunData, run_page
from buffet.service.starting import start
from buffet.service.state import Service
from buffet.service.web import shown
from buffet.service.web.forms import fields_of

ROUTER = APIRouter(include_in_schema=False, default_response_class=Response)
_ANALYSIS: TypeAdapter[Any] = TypeAdapter(Analysis)
# Computed together from one form: the board and what stands on the page beside it.
TOGETHER = {"board": ("board", "compare")}
NOT_YET = "It has not been analysed yet."


@ROUTER.get("/")
def every(
    request: Request,
    service: ServiceHere,
    principal: Reader,
    search: Search = "",
    before: Before = None,
) -> Response:
    """All campaigns."""
    limit = shown.LONGEST_LIST
    with reading(service.engine) as connection:
        found = catalogue.campaigns(connection, search=search, before=before, limit=limit)
        counts = catalogue.run_counts(connection, [one.id for one in found])
        listed = tuple(_listed(service, connection, one, counts.get(one.id, 0)) for one in found)
    more = None
    if len(found) == limit:
        more = f"/?{urlencode({'search': search, 'before': found[-1].id})}"
    data = CampaignList(listed, search, shown.pager(before or 0, listed, more))
    return shown.page(list_page(shown.frame_of(request, principal), data))


def _listed(
    service: Service, connection: Connection, one: catalogue.Campaign, n_runs: int
) -> ListedCampaign:
    state, verdicts = "not analysed", ""
    newest = queue.newest(connection, one.id, "board", ("done",), content=one.manifest_sha256)
    if queue.jobs(connection, one.id, states=queue.UNFINISHED, limit=1):
        state = "being worked on"
    elif newest is not None:
        state = "rated" if newest.manifest_sha256 == one.manifest_sha256 else "changed since rated"
        verdicts = shown.board_headline(service, connection, newest)
    watching = service.settings.watch is not None and one.watched is not None
    return ListedCampaign(shown.campaign_entry(one, n_runs), state, verdicts, watching)


@ROUTER.get("/campaigns/{campaign_id}")
def board(
    campaign_id: CampaignId,
    request: Request,
    service: ServiceHere,
    principal: Reader,
    speed: Annotated[float | None, Query(gt=0, le=500)] = None,
) -> Response:
    """Configurations by verdict at a road speed."""
    with reading(service.engine) as connection:
        found, entry = shown.entry_of(connection, campaign_id)
        runs = tuple(shown.run_entry(run) for _, run in catalogue.runs(connection, campaign_id))
        jobs = queue.jobs(connection, campaign_id, limit=5)
        document, why, is_stale = _newest(service, connection, found, "board")
    data = CampaignBoard(
        entry,
        runs,
        document,
        why,
        tuple(shown.job_entry(job, found.title) for job in jobs),
        speed,
        is_stale,
        service.settings.watch is not None and found.watched is not None,
    )
    return shown.page(board_page(shown.frame_of(request, principal), data))


def _newest(
    service: Service, connection: Connection, found: catalogue.Campaign, kind: str
) -> tuple[dict[str, Any] | None, str | None, bool]:
    """The newest document of a kind, why there is none, and whether the campaign changed since."""
    done = queue.newest(connection, found.id, kind, ("done",), content=found.manifest_sha256)
    document = None if done is None else shown.document(service, connection, done)
    if done is not None and document is not None:
        return document, None, done.manifest_sha256 != found.manifest_sha256
    last = queue.newest(connection, found.id, kind)
    if last is None:
        return None, NOT_YET, False
    if last.state == "failed":
        return None, last.error, False
    return None, f"Job {last.id} is {last.state}.", False


@ROUTER.get("/campaigns/{campaign_id}/compare")
def compare(
    campaign_id: CampaignId, request: Request, service: ServiceHere, principal: Reader
) -> Response:
    """Add-ons against the baseline."""
    with reading(service.engine) as connection:
        found, entry = shown.entry_of(connection, campaign_id)
        document, why, is_stale = _newest(service, connection, found, "compare")
    data = ComparePage(entry, document, why, is_stale)
    return shown.page(compare_page(shown.frame_of(request, principal), data))


@ROUTER.get("/campaigns/{campaign_id}/runs/{number}")
def run(
    campaign_id: CampaignId,
    number: RunNumber,
    request: Request,
    service: ServiceHere,
    principal: Reader,
    first: Annotated[int, Query(ge=0, le=100_000)] = 0,
) -> Response:
    """Signals, spectra, peaks and findings of a run."""
    with reading(service.engine) as connection:
        found, entry = shown.entry_of(connection, campaign_id)
        one = catalogue.run(connection, campaign_id, number)
        job = queue.newest_of_run(connection, campaign_id, number, found.manifest_sha256)
        document = shown.document(service, connection, job) if job is not None else None
    why = NOT_YET if job is None else job.error or f"Job {job.id} is {job.state}."
    told = document or {"signals": None, "signals_why": why, "run": None}
    spectra_why = None if told["run"] else told["signals_why"]
    data = RunData(
        entry,
        shown.run_entry(one),
        told["signals"],
        told["signals_why"],
        told["run"],
        spectra_why,
        first,
        job is not None and job.manifest_sha256 != found.manifest_sha256,
    )
    return shown.page(run_page(shown.frame_of(request, principal), data))


@ROUTER.post("/campaigns/{campaign_id}/analyse")
async def analyse(
    campaign_id: CampaignId,
    request: Request,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
) -> Response:
    """Start what a form asks for; then follow it."""
    fields = await fields_of(request)
    kind = fields.get("kind", "board")
    has_baseline = await run_in_threadpool(_has_baseline, service, campaign_id)
    kinds = TOGETHER.get(kind, (kind,)) if has_baseline else (kind,)
    asked = [_request(one, fields) for one in kinds]
    jobs = await run_in_threadpool(start, service, campaign_id, asked, principal, address)
    return shown.seen(f"/jobs/{jobs[0][0].id}")


def _has_baseline(service: Service, campaign_id: int) -> bool:
    with reading(service.engine) as connection:
        return catalogue.campaign(connection, campaign_id).baseline is not None


def _request(kind: str, fields: dict[str, str]) -> Settings:
    """Raises BadFormError where a field is none that the kind knows."""
    given: dict[str, str] = {"kind": kind}
    if kind in ("board", "compare", "report", "rate") and fields.get("speed"):
        given["speed"] = f"{fields['speed']} km/h"
    if kind in ("run", "export"):
        given["run"] = fields.get("run", "")
    if kind == "export":
        given["suffix"] = fields.get("suffix", "")
    try:
        found: Settings = _ANALYSIS.validate_python(given)
    except ValidationError as error:
        told = "; ".join(one["msg"].removeprefix("Value error, ") for one in error.errors())
        raise BadFormError(told) from error
    return found


@ROUTER.post("/campaigns/{campaign_id}/bin")
async def into_bin(
    campaign_id: CampaignId,
    request: Request,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
) -> Response:
    """Put a campaign into the bin."""
    await fields_of(request)
    await run_in_threadpool(binning.put_into_bin, service, campaign_id, principal, address)
    return shown.seen("/bin?done=binned")


@ROUTER.post("/campaigns/{campaign_id}/runs/{number}/bin")
async def run_into_bin(
    campaign_id: CampaignId,
    number: RunNumber,
    request: Request,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
) -> Response:
    """Put a run into the bin."""
    await fields_of(request)
    await inspecting(service, binning.put_run_into_bin, campaign_id, number, principal, address)
    return shown.seen(f"/campaigns/{campaign_id}?{urlencode({'done': 'binned'})}")
