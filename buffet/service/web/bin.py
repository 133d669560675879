"""The bin's page."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from buffet.service import binned_runs, binning, catalogue
from buffet.service.api.dependencies import (
    Address,
    Engineer,
    Owner,
    Reader,
    ServiceHere,
    inspecting,
)
from buffet.service.api.paging import CampaignId, RunNumber
from buffet.service.database.engine import reading
from buffet.service.intake.errors import BadFormError
from buffet.service.pages.campaigns import BinnedCampaign, BinnedRun, bin_page
from buffet.service.web import shown
from buffet.service.web.forms import fields_of

ROUTER = APIRouter(include_in_schema=False, default_response_class=Response)
MOST = 200  # of each that the page shows


@ROUTER.get("/bin")
def every(request: Request, service: ServiceHere, principal: Reader) -> Response:
    """What can still be brought back."""
    with reading(service.engine) as connection:
        found = catalogue.campaigns(connection, binned=True, limit=MOST)
        counts = catalogue.run_counts(connection, [one.id for one in found])
        sizes = catalogue.sizes(connection, [one.id for one in found])
        campaigns = [
            BinnedCampaign(
                shown.campaign_entry(one, counts.get(one.id, 0)),
                one.binned_at or 0.0,
                one.binned_by or "",
                sizes.get(one.id, 0),
            )
            for one in found
        ]
        runs = [
            BinnedRun(
                shown.entry_of(connection, one.campaign_id)[1],
                one.number,
                one.binned_at,
                one.size,
                f"/bin/campaigns/{one.campaign_id}/runs/{quote(one.number, safe='')}/restore",
            )
            for one in binned_runs.every(connection, MOST)
        ]
    return shown.page(bin_page(shown.frame_of(request, principal), campaigns, runs))


@ROUTER.post("/bin/campaigns/{campaign_id}/restore")
async def restore(
    campaign_id: CampaignId,
    request: Request,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
) -> Response:
    """Take a campaign back."""
    await fields_of(request)
    await run_in_threadpool(binning.take_from_bin, service, campaign_id, principal, address)
    return shown.seen(f"/campaigns/{campaign_id}?done=restored")


@ROUTER.post("/bin/campaigns/{campaign_id}/runs/{number}/restore")
async def restore_run(
    campaign_id: CampaignId,
    number: RunNumber,
    request: Request,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
) -> Response:
    """Take a run back."""
    await fields_of(request)
    await inspecting(service, binning.take_run_from_bin, campaign_id, number, principal, address)
    return shown.seen(f"/campaigns/{campaign_id}?done=restored")


@ROUTER.post("/bin/campaigns/{campaign_id}/delete")
async def delete(
    campaign_id: CampaignId,
    request: Request,
    service: ServiceHere,
    principal: Owner,
    address: Address,
) -> Response:
    """Delete a campaign for good, where the form says that this is meant."""
    fields = await fields_of(request)
    if not fields.get("sure"):
        raise BadFormError("tick the box beside the button: what is deleted cannot come back")
    await run_in_threadpool(binning.delete_for_good, service, campaign_id, principal, address)
    return shown.seen("/bin?done=deleted")
