"""Results by what they are: the same documents as the command line's, at any road speed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Response
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


@dataclass(frozen=True)
class Asked:
    """Whose results are asked for, and what of them the client has."""

    service: Service
    campaign_id: int
    if_none_match: str | None

    def result(self, kind: str, settings: Settings) -> Response:
        """Of these settings; raises NotComputedError where it is not there."""
        values = settings.values()
        with reading(self.service.engine) as connection:
            manifest = catalogue.campaign(connection, self.campaign_id).manifest_sha256
            found = queue.result(connection, result_key(manifest, kind, values))
        if found is None:
            given = settings.model_dump(mode="json", by_alias=True, exclude_unset=True)
            jobs = f"/api/campaigns/{self.campaign_id}/jobs"
            raise NotComputedError(jobs, {"kind": kind, **_as_given(given)})
        return send_result(self.service, found, self.if_none_match, values)


async def asked_of(
    campaign_id: CampaignId,
    service: ServiceHere,
    principal: Reader,
    if_none_match: IfNoneMatch = None,
) -> Asked:
    """What all addresses here have in common."""
    return Asked(service, campaign_id, if_none_match)


AskedHere = Annotated[Asked, Depends(asked_of)]


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
def rating(asked: AskedHere, settings: Annotated[RateSettings, Query()]) -> Response:
    """The verdict per configuration at a road speed: `buffet rate`."""
    return asked.result("rate", settings)


@ROUTER.get("/table", responses=_JSON)
def table(asked: AskedHere, settings: Annotated[TableSettings, Query()]) -> Response:
    """Loads, frequencies and verdicts over road speed: `buffet table`."""
    return asked.result("table", settings)


@ROUTER.get("/comparison", responses=_JSON)
def comparison(asked: AskedHere, settings: Annotated[CompareSettings, Query()]) -> Response:
    """Add-ons against the baseline: `buffet compare`."""
    return asked.result("compare", settings)


@ROUTER.get("/spectra", responses=_JSON)
def spectra(asked: AskedHere, settings: Annotated[SpectraSettings, Query()]) -> Response:
    """PSD, peaks and RMS: `buffet spectra`."""
    return asked.result("spectra", settings)


@ROUTER.get("/board", responses=_JSON)
def board(asked: AskedHere, settings: Annotated[BoardSettings, Query()]) -> Response:
    """Verdicts, curves and crossings over road speed, as the campaign's page draws them."""
    return asked.result("board", settings)


@ROUTER.get("/findings", responses=_JSON)
def findings(asked: AskedHere) -> Response:
    """What speaks against trusting the recordings: `buffet check`."""
    return asked.result("check", CheckSettings())


@ROUTER.get("/report", responses=_HTML, response_class=Response)
def report(asked: AskedHere, settings: Annotated[ReportSettings, Query()]) -> Response:
    """The page for a client, as a file to keep: `buffet report`."""
    return asked.result("report", settings)


@ROUTER.get("/runs/{number}/analysis", responses=_JSON)
def run_analysis(asked: AskedHere, number: RunNumber) -> Response:
    """Signals, spectra, peaks and findings of one run."""
    return asked.result("run", RunSettings(run=number))


@ROUTER.get("/runs/{number}/export", responses=_FILE, response_class=Response)
def export(
    asked: AskedHere,
    number: RunNumber,
    suffix: Literal["h5", "parquet", "csv", "mat"] = "h5",
) -> Response:
    """One run's calibrated samples: `buffet export`."""
    settings = ExportSettings(run=number, suffix=suffix)
    return asked.result("export", settings)
