"""Pages that take files in."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from buffet.service import changes
from buffet.service.access.roles import Principal
from buffet.service.api.dependencies import Address, Engineer, ServiceHere, inspecting
from buffet.service.api.paging import CampaignId
from buffet.service.api.upload_bodies import LIMITS, archive_of, parts_of, run_of
from buffet.service.database.engine import reading
from buffet.service.errors import QueueFullError, ServiceError
from buffet.service.intake.multipart import Part
from buffet.service.jobs.requests import BoardRequest, CompareRequest, RunRequest, Settings
from buffet.service.pages.uploads import Upload, upload_page
from buffet.service.starting import start
from buffet.service.state import Service
from buffet.service.web import shown
from buffet.service.web.forms import require_our_parts, texts_of

ROUTER = APIRouter(include_in_schema=False, default_response_class=Response)


@ROUTER.get("/upload")
def form(request: Request, principal: Engineer) -> Response:
    """For a whole campaign."""
    data = Upload(largest_bytes=LIMITS.body_bytes)
    return shown.page(upload_page(shown.frame_of(request, principal), data))


@ROUTER.post("/upload")
async def upload(
    request: Request, service: ServiceHere, principal: Engineer, address: Address
) -> Response:
    """Take a campaign in, and begin to analyse it."""
    parts = await parts_of(request, service)
    require_our_parts(request, parts)
    try:
        archive = archive_of(parts)
        taken = await inspecting(service, changes.take_archive, archive.path, principal, address)
    except ServiceError as error:
        data = Upload(None, LIMITS.body_bytes, "", str(error), _faults(error))
        text = upload_page(shown.frame_of(request, principal), data)
        return shown.page(text, error.status)
    campaign_id = taken.campaign.id
    if not taken.is_new:
        return shown.seen(f"/campaigns/{campaign_id}?done=there")
    if not any(run.configuration for run in taken.runs):
        return shown.seen(f"/campaigns/{campaign_id}?done=uploaded")
    asked: list[Settings] = [BoardRequest(kind="board")]
    if taken.campaign.baseline is not None:
        asked += [CompareRequest(kind="compare")]
    try:
        jobs = await run_in_threadpool(start, service, campaign_id, asked, principal, address)
    except QueueFullError:  # no reason to say that the upload failed
        return shown.seen(f"/campaigns/{campaign_id}?done=full")
    done = "left" if taken.left_out else "uploaded"
    return shown.seen(f"/jobs/{jobs[0][0].id}?done={done}")


@ROUTER.get("/campaigns/{campaign_id}/upload")
def run_form(
    campaign_id: CampaignId, request: Request, service: ServiceHere, principal: Engineer
) -> Response:
    """For a run of a campaign."""
    return _run_form(campaign_id, request, service, principal, Upload())


def _run_form(
    campaign_id: int, request: Request, service: Service, principal: Principal, data: Upload
) -> Response:
    with reading(service.engine) as connection:
        _, entry = shown.entry_of(connection, campaign_id)
    filled = Upload(entry, LIMITS.body_bytes, data.sheet, data.problem, data.faults)
    return shown.page(upload_page(shown.frame_of(request, principal), filled))


@ROUTER.post("/campaigns/{campaign_id}/upload")
async def upload_run(
    campaign_id: CampaignId,
    request: Request,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
) -> Response:
    """Take a run in, and begin to look at it."""
    parts = await parts_of(request, service)
    require_our_parts(request, parts)
    try:
        sent = run_of(parts, service)
        taken = await inspecting(service, changes.take_run, campaign_id, sent, principal, address)
    except ServiceError as error:
        return await run_in_threadpool(
            _refused, campaign_id, request, service, principal, parts, error
        )
    asked = [RunRequest(kind="run", run=taken.run.number)]
    if not taken.run.is_waiting:
        try:
            await run_in_threadpool(start, service, campaign_id, asked, principal, address)
        except QueueFullError:
            return shown.seen(f"/campaigns/{campaign_id}?done=full")
    return shown.seen(f"/campaigns/{campaign_id}?done=run")


def _refused(
    campaign_id: int,
    request: Request,
    service: Service,
    principal: Principal,
    parts: Sequence[Part],
    error: ServiceError,
) -> Response:
    sheet = texts_of(parts).get("sheet", "")
    data = Upload(None, None, sheet, str(error), _faults(error))
    response = _run_form(campaign_id, request, service, principal, data)
    response.status_code = error.status
    return response


def _faults(error: ServiceError) -> tuple[tuple[str, str], ...]:
    faults = getattr(error, "faults", ())
    return tuple((f"{one.file} {one.key}".strip(), one.problem) for one in faults)
