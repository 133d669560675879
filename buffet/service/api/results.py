"""Results by what they are: the same documents as the command line's, at any road speed."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response
from fastapi.responses import FileResponse

from buffet.service import catalogue
from buffet.service.api.dependencies import Reader, ServiceHere
from buffet.service.api.paging import CampaignId, IfNoneMatch, RunNumber, matches
from buffet.service.database.engine import reading
from buffet.service.errors import NotComputedError
from buffet.service.jobs import queue
from buffet.service.jobs.queue import Result
from buffet.service.jobs.requests import (
    BoardSettings,
    CheckSettings,
    CompareSettings,
    ExportSettings,
    RateSettings,
    ReportSettings,
    RunSettings,
    Settings,
    SpectraSettings,
    TableSettings,
    result_key,
)
from buffet.service.state import Service

ROUTER = APIRouter(prefix="/api/campaigns/{campaign_id}", tags=["results"])
SANDBOX = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"
_JSON: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/json": {}}, "description": "as the command line prints it"},
    304: {"description": "the client has it already"},
}
_HTML: dict[int | str, dict[str, Any]] = {200: {"content": {"text/html": {}}}}
_FILE: dict[int | str, dict[str, Any]] = {200: {"content": {"application/octet-stream": {}}}}


def send_result(
    service: Service, found: Result, if_none_match: str | None, settings: dict[str, Any]
) -> Response:
    """The content of a result: JSON to look at, anything else to keep."""
    etag = f'"{found.sha256}"'
    headers = {"ETag": etag, "Cache-Control": "private, no-cache"}
    if matches(if_none_match, etag):
        return Response(status_code=304, headers=headers)
    if found.media_type != "application/json":
        suffix = "html" if found.kind == "report" else settings.get("suffix", "bin")
        name = f"campaign-{found.campaign_id}-{found.kind}.{suffix}"
        headers["Content-Disposition"] = f'attachment; filename="{name}"'
        # Should a browser show it after all: as a page of nobody's, without scripts.
        headers["Content-Security-Policy"] = SANDBOX
    path = service.blobs.path(found.sha256)
    return FileResponse(path, headers=headers, media_type=found.media_type)


def _result(
    service: Service,
    campaign_id: int,
    kind: str,
    settings: Settings,
    if_none_match: str | None,
) -> Response:
    values = settings.values()
    with reading(service.engine) as connection:
        manifest = catalogue.campaign(connection, campaign_id).manifest_sha256
        found = queue.result(connection, result_key(manifest, kind, values))
    if found is None:
        given = settings.model_dump(mode="json", by_alias=True, exclude_unset=True)
        raise NotComputedError(
            f"/api/campaigns/{campaign_id}/jobs", {"kind": kind, **_as_given(given)}
        )
    return send_result(service, found, if_none_match, values)


# Quantities whose numbers are SI inside and text with a unit at the door.
_UNITS = {
    **dict.fromkeys(("speed", "up_to", "from", "to", "step", "wind"), "m/s"),
    "resolution": "Hz",
    "equal_within": "",
}


def _as_given(values: dict[str, Any]) -> dict[str, Any]:
    return {
        name: f"{value!r} {_UNITS[name]}".strip() if name in _UNITS and value is not None else value
        for name, value in values.items()
    }


@ROUTER.get("/rating", responses=_JSON)
def rating(
    campaign_id: CampaignId,
    settings: Annotated[RateSettings, Query()],
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """The verdict per configuration at a road speed: `buffet rate`."""
    return _result(service, campaign_id, "rate", settings, if_none_match)


@ROUTER.get("/table", responses=_JSON)
def table(
    campaign_id: CampaignId,
    settings: Annotated[TableSettings, Query()],
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Loads, frequencies and verdicts over road speed: `buffet table`."""
    return _result(service, campaign_id, "table", settings, if_none_match)


@ROUTER.get("/comparison", responses=_JSON)
def comparison(
    campaign_id: CampaignId,
    settings: Annotated[CompareSettings, Query()],
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Add-ons against the baseline: `buffet compare`."""
    return _result(service, campaign_id, "compare", settings, if_none_match)


@ROUTER.get("/spectra", responses=_JSON)
def spectra(
    campaign_id: CampaignId,
    settings: Annotated[SpectraSettings, Query()],
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """PSD, peaks and RMS: `buffet spectra`."""
    return _result(service, campaign_id, "spectra", settings, if_none_match)


@ROUTER.get("/board", responses=_JSON)
def board(
    campaign_id: CampaignId,
    settings: Annotated[BoardSettings, Query()],
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Verdicts, curves and crossings over road speed, as the campaign's page draws them."""
    return _result(service, campaign_id, "board", settings, if_none_match)


@ROUTER.get("/findings", responses=_JSON)
def findings(
    campaign_id: CampaignId,
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """What speaks against trusting the recordings: `buffet check`."""
    return _result(service, campaign_id, "check", CheckSettings(), if_none_match)


@ROUTER.get("/report", responses=_HTML, response_class=Response)
def report(
    campaign_id: CampaignId,
    settings: Annotated[ReportSettings, Query()],
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """The page for a client, as a file to keep: `buffet report`."""
    return _result(service, campaign_id, "report", settings, if_none_match)


@ROUTER.get("/runs/{number}/analysis", responses=_JSON)
def run_analysis(
    campaign_id: CampaignId,
    number: RunNumber,
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Signals, spectra, peaks and findings of one run."""
    return _result(service, campaign_id, "run", RunSettings(run=number), if_none_match)


@ROUTER.get("/runs/{number}/export", responses=_FILE, response_class=Response)
def export(
    campaign_id: CampaignId,
    number: RunNumber,
    service: ServiceHere,
    principal: Reader,
    suffix: Literal["h5", "parquet", "csv", "mat"] = "h5",
    if_none_match: IfNoneMatch = None,
) -> Response:
    """One run's calibrated samples: `buffet export`."""
    settings = ExportSettings(run=number, suffix=suffix)
    return _result(service, campaign_id, "export", settings, if_none_match)
