"""The bin: what is in it, back into the list, or gone for good."""

from __future__ import annotations

from fastapi import APIRouter, Request

from buffet.service import binned_runs, binning, catalogue
from buffet.service.api.campaigns import listed
from buffet.service.api.dependencies import (
    Address,
    Engineer,
    Owner,
    Reader,
    ServiceHere,
    inspecting,
)
from buffet.service.api.documents import CampaignEntry, Page, RunEntry
from buffet.service.api.paging import Before, CampaignId, Limit, RunNumber
from buffet.service.database.engine import reading

ROUTER = APIRouter(prefix="/api/bin", tags=["bin"])


@ROUTER.get("")
def every(
    request: Request,
    service: ServiceHere,
    principal: Reader,
    before: Before = None,
    limit: Limit = 50,
) -> Page[CampaignEntry]:
    """Campaigns in the bin, newest first."""
    return listed(request, service, before, limit, binned=True)


@ROUTER.get("/campaigns/{campaign_id}/runs")
def runs(campaign_id: CampaignId, service: ServiceHere, principal: Reader) -> list[str]:
    """Numbers of the runs that were taken out of a campaign."""
    with reading(service.engine) as connection:
        catalogue.campaign(connection, campaign_id)
        return binned_runs.numbers(connection, campaign_id)


@ROUTER.post("/campaigns/{campaign_id}/restore")
def restore(
    campaign_id: CampaignId, service: ServiceHere, principal: Engineer, address: Address
) -> CampaignEntry:
    """Take a campaign back."""
    found, n_runs = binning.take_from_bin(service, campaign_id, principal, address)
    return CampaignEntry.of(found, n_runs)


@ROUTER.post("/campaigns/{campaign_id}/runs/{number}/restore")
async def restore_run(
    campaign_id: CampaignId,
    number: RunNumber,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
) -> RunEntry:
    """Take a run back."""
    taken = await inspecting(
        service, binning.take_run_from_bin, campaign_id, number, principal, address
    )
    return RunEntry.of(campaign_id, taken.run)


@ROUTER.delete("/campaigns/{campaign_id}", status_code=204)
def delete(
    campaign_id: CampaignId, service: ServiceHere, principal: Owner, address: Address
) -> None:
    """Delete a campaign of the bin for good, with its recordings and results."""
    binning.delete_for_good(service, campaign_id, principal, address)
