"""Campaigns: uploaded whole, listed, read, taken home, put into the bin."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import APIRouter, Header, Request, Response
from fastapi.responses import FileResponse, StreamingResponse

from buffet.service import binning, catalogue, changes
from buffet.service.api.archive import zipped
from buffet.service.api.dependencies import Address, Engineer, Reader, ServiceHere, inspecting
from buffet.service.api.documents import CampaignEntry, FileEntry, Page, Uploaded
from buffet.service.api.paging import (
    Before,
    CampaignId,
    IfMatch,
    IfNoneMatch,
    Limit,
    Search,
    matches,
    next_address,
)
from buffet.service.api.upload_bodies import receive_archive
from buffet.service.database.engine import reading
from buffet.service.errors import ChangedError, NotFoundError
from buffet.service.state import Service

ROUTER = APIRouter(prefix="/api/campaigns", tags=["campaigns"])
_ZIP = {"schema": {"type": "string", "format": "binary"}}
_ARCHIVE_BODY = {
    "requestBody": {
        "required": True,
        "description": "The campaign folder as a zip archive, alone or as part `archive` of a form",
        "content": {
            "application/zip": _ZIP,
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "properties": {"archive": _ZIP["schema"]},
                    "required": ["archive"],
                }
            },
        },
    }
}


def etag(found: catalogue.Campaign) -> str:
    """Of a campaign as it stands."""
    return f'"{found.revision}-{found.manifest_sha256[:16]}"'


def require_match(if_match: str | None, found: catalogue.Campaign) -> None:
    """Raises ChangedError where the client saw another revision."""
    if if_match is not None and not matches(if_match, etag(found)):
        raise ChangedError(
            f"campaign {found.id} was changed meanwhile, to revision {found.revision}; "
            "look at it again, then repeat"
        )


@ROUTER.post("", status_code=201, openapi_extra=_ARCHIVE_BODY)
async def upload(
    request: Request,
    response: Response,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
    content_digest: Annotated[
        str | None, Header(description="sha-256 of the body (RFC 9530), checked")
    ] = None,
) -> Uploaded:
    """Take a whole campaign in; 200 where the same content is there already."""
    archive = await receive_archive(request, service, content_digest)
    taken = await inspecting(service, changes.take_archive, archive.path, principal, address)
    response.status_code = 201 if taken.is_new else 200
    response.headers["Location"] = f"/api/campaigns/{taken.campaign.id}"
    response.headers["ETag"] = etag(taken.campaign)
    entry = CampaignEntry.of(taken.campaign, len(taken.runs))
    return Uploaded(campaign=entry, is_new=taken.is_new, left_out=list(taken.left_out))


@ROUTER.get("")
def every(
    request: Request,
    service: ServiceHere,
    principal: Reader,
    search: Search = "",
    before: Before = None,
    limit: Limit = 50,
) -> Page[CampaignEntry]:
    """Campaigns, newest first."""
    return listed(request, service, before, limit, search=search)


def listed(
    request: Request,
    service: Service,
    before: int | None,
    limit: int,
    *,
    search: str = "",
    binned: bool = False,
) -> Page[CampaignEntry]:
    """A page of the list, or of the bin."""
    with reading(service.engine) as connection:
        found = catalogue.campaigns(
            connection, search=search, before=before, limit=limit, binned=binned
        )
        counts = catalogue.run_counts(connection, [one.id for one in found])
    return Page[CampaignEntry](
        items=[CampaignEntry.of(one, counts.get(one.id, 0)) for one in found],
        next=next_address(request, "before", [one.id for one in found], limit),
    )


@ROUTER.get(
    "/{campaign_id}",
    responses={200: {"model": CampaignEntry}, 304: {"description": "the client has it already"}},
    response_model=None,
)
def one(
    campaign_id: CampaignId,
    response: Response,
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> CampaignEntry | Response:
    """One campaign."""
    with reading(service.engine) as connection:
        found = catalogue.campaign(connection, campaign_id)
        counts = catalogue.run_counts(connection, [campaign_id])
    headers = {"ETag": etag(found), "Cache-Control": "private, no-cache"}
    if matches(if_none_match, etag(found)):
        return Response(status_code=304, headers=headers)
    response.headers.update(headers)
    return CampaignEntry.of(found, counts.get(campaign_id, 0))


@ROUTER.delete("/{campaign_id}", status_code=204)
def into_bin(
    campaign_id: CampaignId,
    service: ServiceHere,
    principal: Engineer,
    address: Address,
    if_match: IfMatch = None,
) -> None:
    """Put a campaign into the bin; its analyses end."""
    expect = partial(require_match, if_match)
    binning.put_into_bin(service, campaign_id, principal, address, expect)


@ROUTER.get("/{campaign_id}/files")
def files(campaign_id: CampaignId, service: ServiceHere, principal: Reader) -> list[FileEntry]:
    """All files of a campaign, with their digests."""
    with reading(service.engine) as connection:
        catalogue.campaign(connection, campaign_id)
        found = catalogue.files(connection, campaign_id)
    return [FileEntry(name=one.name, sha256=one.sha256, size_bytes=one.size) for one in found]


@ROUTER.get(
    "/{campaign_id}/files/{sha256}",
    responses={200: {"content": {"application/octet-stream": {}}}},
    response_class=Response,
)
def content(
    campaign_id: CampaignId, sha256: str, service: ServiceHere, principal: Reader
) -> Response:
    """The content of a campaign's file, by its digest."""
    with reading(service.engine) as connection:
        catalogue.campaign(connection, campaign_id)
        known = {one.sha256 for one in catalogue.files(connection, campaign_id)}
    if sha256 not in known:
        raise NotFoundError(f"campaign {campaign_id} has no file of this digest")
    headers = {"ETag": f'"{sha256}"', "Content-Disposition": f'attachment; filename="{sha256}"'}
    path = service.blobs.path(sha256)
    return FileResponse(path, headers=headers, media_type="application/octet-stream")


@ROUTER.get(
    "/{campaign_id}/archive",
    responses={200: {"content": {"application/zip": {}}}},
    response_class=Response,
)
def archive(campaign_id: CampaignId, service: ServiceHere, principal: Reader) -> Response:
    """The whole campaign as a zip archive, as `POST /api/campaigns` takes it."""
    with reading(service.engine) as connection:
        catalogue.campaign(connection, campaign_id)
        found = catalogue.files(connection, campaign_id)
    headers = {"Content-Disposition": f'attachment; filename="campaign-{campaign_id}.zip"'}
    body = zipped([(one.name, service.blobs.path(one.sha256)) for one in found])
    return StreamingResponse(body, headers=headers, media_type="application/zip")
