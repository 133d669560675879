"""Runs of a campaign: added one by one, read, put into the bin."""

from __future__ import annotations

from functools import partial

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool

from buffet.service import binning, catalogue, changes
from buffet.service.api.campaigns import etag, require_match
from buffet.service.api.dependencies import Address, Engineer, Reader, ServiceHere, inspecting
from buffet.service.api.documents import Page, RunEntry
from buffet.service.api.paging import After, CampaignId, IfMatch, Limit, RunNumber, next_address
from buffet.service.api.upload_bodies import receive_run
from buffet.service.database.engine import reading
from buffet.service.state import Service

ROUTER = APIRouter(prefix="/api/campaigns/{campaign_id}/runs", tags=["runs"])
_FILE = {"type": "string", "format": "binary"}
_RUN_BODY = {
    "requestBody": {
        "required": True,
        "description": "A run sheet and the files that it names, each under its own name",
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "properties": {
                        "sheet": {**_FILE, "description": "TOML, as a file or as text"},
                        "recording": {"type": "array", "items": _FILE},
                    },
                    "required": ["sheet", "recording"],
                }
            }
        },
    }
}


def _look(service: Service, campaign_id: int, expect: changes.Expect) -> None:
    with reading(service.engine) as connection:
        expect(catalogue.campaign(connection, campaign_id))


@ROUTER.post("", status_code=201, openapi_extra=_RUN_BODY)
async def upload(
    campaign_id: CampaignId,
    request: Request,
    response: Response,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
    if_match: IfMatch = None,
) -> RunEntry:
    """Add a run; 200 where the same run is there already, 409 where another one is."""
    expect = partial(require_match, if_match)
    await run_in_threadpool(_look, service, campaign_id, expect)  # before hours of sending
    sent = await receive_run(request, service)
    taken = await inspecting(
        service, changes.take_run, campaign_id, sent, principal, address, expect
    )
    response.status_code = 201 if taken.is_new else 200
    entry = RunEntry.of(campaign_id, taken.run)
    response.headers["Location"] = entry.address
    response.headers["ETag"] = etag(taken.campaign)
    return entry


@ROUTER.get("")
def every(
    campaign_id: CampaignId,
    request: Request,
    service: ServiceHere,
    principal: Reader,
    after: After = -1,
    limit: Limit = 50,
) -> Page[RunEntry]:
    """Runs by number."""
    with reading(service.engine) as connection:
        catalogue.campaign(connection, campaign_id)
        found = catalogue.runs(connection, campaign_id, after=after, limit=limit)
    return Page[RunEntry](
        items=[RunEntry.of(campaign_id, run) for _, run in found],
        next=next_address(request, "after", [place for place, _ in found], limit),
    )


@ROUTER.get("/{number}")
def one(
    campaign_id: CampaignId, number: RunNumber, service: ServiceHere, principal: Reader
) -> RunEntry:
    """One run."""
    with reading(service.engine) as connection:
        catalogue.campaign(connection, campaign_id)
        return RunEntry.of(campaign_id, catalogue.run(connection, campaign_id, number))


@ROUTER.delete("/{number}", status_code=204)
async def into_bin(
    campaign_id: CampaignId,
    number: RunNumber,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
    if_match: IfMatch = None,
) -> None:
    """Put a run into the bin, with the files that it alone names."""
    expect = partial(require_match, if_match)
    await inspecting(
        service, binning.put_run_into_bin, campaign_id, number, principal, address, expect
    )
