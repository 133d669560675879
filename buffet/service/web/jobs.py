"""Pages of jobs."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from buffet.service import catalogue, starting
from buffet.service.api.dependencies import Address, Engineer, Reader, ServiceHere
from buffet.service.api.paging import JobId
from buffet.service.database.engine import reading
from buffet.service.jobs import queue
from buffet.service.jobs.queue import Job
from buffet.service.pages.jobs import JobStatus, job_page
from buffet.service.web import shown
from buffet.service.web.forms import fields_of

ROUTER = APIRouter(include_in_schema=False, default_response_class=Response)


@ROUTER.get("/jobs/{job_id}")
def job(job_id: JobId, request: Request, service: ServiceHere, principal: Reader) -> Response:
    """A job and how far it is."""
    with reading(service.engine) as connection:
        found = queue.job(connection, job_id)
        title = catalogue.title_of(connection, found.campaign_id)
        told = [e for e in queue.events(connection, job_id) if e.kind == "progress"]
        ahead = queue.place(connection, job_id) if found.state == "queued" else 0
        has_result = queue.result(connection, found.result_key) is not None
    last = told[-1].data if told and found.state == "running" else {}
    data = JobStatus(
        shown.job_entry(found, title),
        str(last.get("text", "")),
        last.get("share"),
        ahead,
        _place_of(found) if found.state == "done" and has_result else None,
    )
    return shown.page(job_page(shown.frame_of(request, principal), data))


def _place_of(found: Job) -> str:
    """Where people see what a job computed."""
    campaign = f"/campaigns/{found.campaign_id}"
    pages = {"board": campaign, "compare": f"{campaign}/compare"}
    if found.kind == "run":
        return f"{campaign}/runs/{quote(found.settings['run'], safe='')}"
    return pages.get(found.kind, f"/api/jobs/{found.id}/result")


@ROUTER.post("/jobs/{job_id}/cancel")
async def cancel(
    job_id: JobId,
    request: Request,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
) -> Response:
    """Cancel a job."""
    await fields_of(request)

    await run_in_threadpool(starting.cancel, service, job_id, principal, address)
    return shown.seen(f"/jobs/{job_id}?done=cancelled")
