"""Campaigns, runs and jobs as pages are given them; times in seconds since 1970, UTC."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

JobState = Literal["queued", "running", "done", "failed", "cancelled"]
OPEN_STATES: tuple[JobState, ...] = ("queued", "running")


@dataclass(frozen=True)
class CampaignEntry:
    """A campaign of the catalogue."""

    id: int
    title: str
    baseline: str | None
    configurations: tuple[str, ...]
    n_runs: int
    changed_at: float
    created_by: str
    watched: str | None = None  # name of the folder that is watched
    waiting: tuple[str, ...] = ()  # faults that another run may still settle


@dataclass(frozen=True)
class RunEntry:
    """A run as the last inspection found it."""

    number: str
    kind: str  # "wind-on" or "wind-off"
    configuration: str | None
    size_bytes: int
    is_waiting: bool = False


@dataclass(frozen=True)
class JobEntry:
    """One computation."""

    id: int
    campaign_id: int
    campaign_title: str
    kind: str  # spectra, rating, table, comparison, board, report, export
    state: JobState
    created_at: float
    created_by: str
    started_at: float | None = None
    ended_at: float | None = None
    error: str | None = None

    @property
    def is_open(self) -> bool:
        """Whether it still waits or runs."""
        return self.state in OPEN_STATES
