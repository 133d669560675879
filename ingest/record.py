"""A run as its sheet states it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from ingest.air import StatedAir
from ingest.channel import Channel
from ingest.recording import ClockOptions, FileOptions

Kind = Literal["wind-on", "wind-off"]


@dataclass(frozen=True)
class Run:
    """One recording with its run sheet, in SI."""

    number: str
    configuration: str | None  # None for wind-off runs
    kind: Kind
    sheet: Path
    recording: Path
    source: str  # the recording relative to the campaign folder
    channels: tuple[Channel, ...]
    clock: ClockOptions
    file_options: FileOptions = field(default_factory=FileOptions)
    air: StatedAir = field(default_factory=StatedAir)
    antialias_cutoff_hz: float | None = None
    started: datetime | None = None
    zero_before: str | None = None  # numbers of wind-off runs
    zero_after: str | None = None
    yaw_rad: float = 0.0
    note: str | None = None
    stated: Mapping[str, Any] = field(default_factory=dict, compare=False)  # the sheet's words
