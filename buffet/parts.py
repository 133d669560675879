"""Parts of what `spectra` says of a run, beyond its spectra: settings, and parts it lacks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ingest import OpenCabin

TEN_MINUTES_S = 600.0
FIVE_PERCENT = 0.05


@dataclass(frozen=True)
class Load:
    """A value of a quantity, by its name: of the full-size car, or a coefficient."""

    quantity: str
    value: float
    unit: str  # "N", "N m" or "Pa"; "1" for a coefficient


@dataclass(frozen=True)
class PartSettings:
    """What the user may choose."""

    road_speed_m_s: float | None = None
    driving_time_s: float = TEN_MINUTES_S  # on the road, in which a worst value is expected
    within: float = FIVE_PERCENT  # relative half-width that a record should reach
    pairs: tuple[tuple[str, str], ...] = ()  # quantities whose coherence is wanted in full
    loads: tuple[Load, ...] = ()  # whose exceedance is wanted
    cabin: OpenCabin | None = None  # of the campaign's car


@dataclass(frozen=True)
class Absent:
    """A part that a run cannot have."""

    why: str  # a clause, without a full stop
