"""Analyses: started, followed, cancelled, and what came of them."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Body, Query, Request, Response

from buffet.service import catalogue, starting
from buffet.service.api import events
from buffet.service.api.dependencies import Address, Engineer, Reader, ServiceHere
from buffet.service.api.documents import JobEntry, Page
from buffet.service.api.paging import Before, CampaignId, IfNoneMatch, JobId, Limit, next_address
from buffet.service.api.results import send_result
from buffet.service.database.engine import reading
from buffet.service.errors import NotFoundError
from buffet.service.jobs import queue
from buffet.service.jobs.requests import Analysis

ROUTER = APIRouter(prefix="/api", tags=["analyses"])
State = Literal["queued", "running", "done", "failed", "cancelled"]
_EXAMPLES = {
    "verdicts": {"value": {"kind": "rate", "speed": "130 km/h"}},
    "table": {"value": {"kind": "table", "from": "60 km/h", "to": "220 km/h", "step": "10 km/h"}},
    "comparison": {"value": {"kind": "compare", "speed": "110 km/h", "road": "B"}},
    "one run": {"value": {"kind": "spectra", "run": "014", "what": ["lines"]}},
    "report": {"value": {"kind": "report", "speed": "130 km/h"}},
}


@ROUTER.post("/campaigns/{campaign_id}/jobs", status_code=202)
def start(
    campaign_id: CampaignId,
    analysis: Annotated[Analysis, Body(openapi_examples=_EXAMPLES)],
    service: ServiceHere,
    principal: Engineer,
    address: Address,
    response: Response,
) -> JobEntry:
    """Start an analysis; 200 where it waits, runs or is computed already."""
    ((job, is_new),) = starting.start(service, campaign_id, [analysis], principal, address)
    response.headers["Location"] = f"/api/jobs/{job.id}"
    response.status_code = 202 if is_new else 200
    return JobEntry.of(job)


@ROUTER.get("/campaigns/{campaign_id}/jobs")
def of_campaign(
    campaign_id: CampaignId,
    service: ServiceHere,
    principal: Reader,
    request: Request,
    before: Before = None,
    limit: Limit = 50,
) -> Page[JobEntry]:
    """Analyses of a campaign, newest first."""
    with reading(service.engine) as connection:
        catalogue.campaign(connection, campaign_id)
        found = queue.jobs(connection, campaign_id, before=before, limit=limit)
    return _page(request, found, limit)


@ROUTER.get("/jobs")
def every(
    service: ServiceHere,
    principal: Reader,
    request: Request,
    state: Annotated[list[State] | None, Query(max_length=5)] = None,
    before: Before = None,
    limit: Limit = 50,
) -> Page[JobEntry]:
    """Analyses of all campaigns, newest first."""
    with reading(service.engine) as connection:
        found = queue.jobs(connection, states=state or (), before=before, limit=limit)
    return _page(request, found, limit)


def _page(request: Request, found: list[queue.Job], limit: int) -> Page[JobEntry]:
    more = next_address(request, "before", [job.id for job in found], limit)
    entries = [JobEntry.of(job) for job in found]
    return Page[JobEntry](items=entries, next=more)


@ROUTER.get("/jobs/{job_id}")
def one(job_id: JobId, service: ServiceHere, principal: Reader) -> JobEntry:
    """One analysis."""
    with reading(service.engine) as connection:
        return JobEntry.of(queue.job(connection, job_id))


@ROUTER.post("/jobs/{job_id}/cancel")
def cancel(job_id: JobId, service: ServiceHere, principal: Engineer, address: Address) -> JobEntry:
    """Cancel an analysis that waits or runs."""
    return JobEntry.of(starting.cancel(service, job_id, principal, address))


@ROUTER.get("/jobs/{job_id}/result", responses={200: {"content": {"application/json": {}}}})
def result(
    job_id: JobId,
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """What an analysis computed: the document of its kind, or a file."""
    with reading(service.engine) as connection:
        job = queue.job(connection, job_id)
        found = queue.result(connection, job.result_key)
    if found is None:
        told = f": {job.error}" if job.error else ""
        raise NotFoundError(f"job {job_id} is {job.state} and has no result{told}")
    return send_result(service, found, if_none_match, job.settings)


@ROUTER.get(
    "/jobs/{job_id}/events",
    responses={200: {"content": {"text/event-stream": {}}}},
    response_class=Response,
)
async def follow(
    job_id: JobId,
    service: ServiceHere,
    principal: Reader,
    request: Request,
) -> Response:
    """Progress as server-sent events, from Last-Event-ID on; ends when the job does."""
    return await events.stream(service, job_id, request)
