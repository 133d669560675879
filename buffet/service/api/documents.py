"""What the API answers with, as models that its description shows."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from buffet.service import catalogue
from buffet.service.api.paging import run_address
from buffet.service.jobs.queue import Event, Job

Item = TypeVar("Item")


def moment(seconds: float | None) -> str | None:
    """A time of the database as text of ISO 8601, in UTC."""
    return None if seconds is None else datetime.fromtimestamp(seconds, UTC).isoformat()


class CampaignEntry(BaseModel):
    """A campaign of the catalogue."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": 3,
                    "title": "Hatchback tailgate spoilers, 30 % model",
                    "baseline": "bare tailgate",
                    "configurations": ["bare tailgate", "long spoiler"],
                    "runs": 36,
                    "revision": 1,
                    "content_sha256": "9f" * 32,
                    "waiting": [],
                    "is_watched": False,
                    "created_at": "2026-03-02T10:14:00+00:00",
                    "changed_at": "2026-03-02T10:14:00+00:00",
                    "created_by": "hall",
                    "binned_at": None,
                    "address": "/api/campaigns/3",
                }
            ]
        }
    )
    id: int
    title: str
    baseline: str | None
    configurations: list[str] = Field(description="the baseline first")
    runs: int
    revision: int = Field(description="counts changes")
    content_sha256: str = Field(description="of all files' digests and names")
    waiting: list[dict[str, str]] = Field(description="what waits for another run, and why")
    is_watched: bool
    created_at: str
    changed_at: str
    created_by: str
    binned_at: str | None
    address: str

    @classmethod
    def of(cls, one: catalogue.Campaign, runs: int) -> CampaignEntry:
        """As the catalogue has it."""
        return cls(
            id=one.id,
            title=one.title,
            baseline=one.baseline,
            configurations=one.configurations,
            runs=runs,
            revision=one.revision,
            content_sha256=one.manifest_sha256,
            waiting=one.waiting,
            is_watched=one.watched is not None,
            created_at=moment(one.created_at) or "",
            changed_at=moment(one.changed_at) or "",
            created_by=one.created_by,
            binned_at=moment(one.binned_at),
            address=f"/api/campaigns/{one.id}",
        )


class Uploaded(BaseModel):
    """A campaign that was taken in."""

    campaign: CampaignEntry
    is_new: bool = Field(description="false where the same content was there already")
    left_out: list[str] = Field(description="files that no sheet names, which are not kept")


class RunEntry(BaseModel):
    """A run of a campaign."""

    number: str
    kind: str
    configuration: str | None
    sheet: str
    recordings: list[str]
    size_bytes: int
    is_waiting: bool = Field(description="for another run, such as its wind-off zero")
    details: dict[str, Any]
    address: str

    @classmethod
    def of(cls, campaign_id: int, one: catalogue.FoundRun) -> RunEntry:
        """As the catalogue has it."""
        return cls(
            number=one.number,
            kind=one.kind,
            configuration=one.configuration,
            sheet=one.sheet,
            recordings=list(one.files),
            size_bytes=one.size,
            is_waiting=one.is_waiting,
            details=dict(one.details),
            address=run_address(campaign_id, one.number),
        )


class FileEntry(BaseModel):
    """A file of a campaign."""

    name: str
    sha256: str
    size_bytes: int


class JobEntry(BaseModel):
    """An analysis that was asked for."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": 7,
                    "campaign": 3,
                    "kind": "rate",
                    "settings": {"speed": 36.11},
                    "state": "running",
                    "error": None,
                    "attempts": 1,
                    "created_at": "2026-03-02T10:14:00+00:00",
                    "started_at": "2026-03-02T10:14:01+00:00",
                    "ended_at": None,
                    "created_by": "hall",
                    "address": "/api/jobs/7",
                    "events": "/api/jobs/7/events",
                    "result": "/api/jobs/7/result",
                }
            ]
        }
    )
    id: int
    campaign: int
    kind: str
    settings: dict[str, Any] = Field(description="in SI")
    state: str = Field(description="queued, running, done, failed or cancelled")
    error: str | None
    attempts: int
    created_at: str
    started_at: str | None
    ended_at: str | None
    created_by: str
    address: str
    events: str = Field(description="its progress as server-sent events")
    result: str = Field(description="there once it is done")

    @classmethod
    def of(cls, one: Job) -> JobEntry:
        """As the queue has it."""
        return cls(
            id=one.id,
            campaign=one.campaign_id,
            kind=one.kind,
            settings=one.settings,
            state=one.state,
            error=one.error,
            attempts=one.attempts,
            created_at=moment(one.created_at) or "",
            started_at=moment(one.started_at),
            ended_at=moment(one.ended_at),
            created_by=one.created_by,
            address=f"/api/jobs/{one.id}",
            events=f"/api/jobs/{one.id}/events",
            result=f"/api/jobs/{one.id}/result",
        )


def event_data(event: Event) -> dict[str, Any]:
    """An event as its stream and its list tell it."""
    return {"kind": event.kind, "at": moment(event.at), **event.data}


class Page(BaseModel, Generic[Item]):
    """Some of a list, and where the rest begins."""

    items: list[Item]
    next: str | None = Field(description="address of what follows; null at the end")
