"""What may be computed of a campaign, and with which settings: the command line's, without files.

Quantities are text with a unit, as on the command line, and SI numbers inside. No setting names a
file: a road is a class or an unevenness, a car one of the typical ones or the campaign's own.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib.metadata import version
from typing import Annotated, Any, Literal, TypeAlias, cast, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)

from buffet.rating.table import MOST_SPEEDS
from buffet.rating.wind import STRONGEST_M_S
from buffet.vehicle import TYPICAL_CARS, UnknownRoadError, is_typical, road_from
from ingest import QuantityError, parse_quantity

KM_H = 1 / 3.6
FASTEST_M_S = 500 * KM_H  # as on the command line
Part = Literal[
    "spectrum",
    "lines",
    "coherence",
    "taps",
    "wavelets",
    "switching",
    "extremes",
    "cabin",
    "length",
]


def _quantity(dimension: str, low: float, high: float, example: str) -> Any:
    """Text with a unit, above `low` and up to `high` in SI."""

    def read(given: Any) -> float:
        wanted = f'wanted a {dimension} with its unit, for example "{example}"'
        if not isinstance(given, str) or len(given) > 40:
            raise ValueError(wanted)
        try:
            value = float(parse_quantity(given, cast("Any", dimension)))
        except QuantityError:
            raise ValueError(f"got {given!r}; {wanted}") from None
        if not low < value <= high:
            raise ValueError(f"got {given!r}, out of bounds; {wanted}")
        return value

    schema = {"type": "string", "examples": [example], "description": f"{dimension} with its unit"}
    return Annotated[float, BeforeValidator(read), WithJsonSchema(schema)]


def _road(given: str) -> str:
    try:
        road_from(given, files=False)
    except UnknownRoadError as error:
        raise ValueError(str(error)) from None
    return given.strip()


def _car(given: str) -> str:
    if not is_typical(given):
        raise ValueError(f"got {given!r}; wanted one of {', '.join(TYPICAL_CARS)}")
    return given


Speed: TypeAlias = _quantity("speed", 0.0, FASTEST_M_S, "130 km/h")  # type: ignore[valid-type]
UpTo: TypeAlias = _quantity("speed", 29.9 * KM_H, FASTEST_M_S, "250 km/h")  # type: ignore[valid-type]
Wind: TypeAlias = _quantity("speed", 0.0, STRONGEST_M_S, "4 m/s")  # type: ignore[valid-type]
Resolution: TypeAlias = _quantity("frequency", 0.0, 1e6, "0.5 Hz")  # type: ignore[valid-type]
Share: TypeAlias = _quantity("ratio", 0.0009, 0.5, "5 %")  # type: ignore[valid-type]
RunNumber: TypeAlias = Annotated[
    str, StringConstraints(min_length=1, max_length=100, pattern=r"^[^\x00-\x1f\x7f]*$")
]
Road: TypeAlias = Annotated[
    str, StringConstraints(max_length=40), AfterValidator(_road), Field(examples=["B"])
]
Car: TypeAlias = Annotated[
    str, StringConstraints(max_length=40), AfterValidator(_car), Field(examples=["saloon"])
]
DEFAULT_SPEED_M_S = 130 * KM_H


class Settings(BaseModel):
    """What every kind shares: unknown settings are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    def values(self) -> dict[str, Any]:
        """In SI, without the word of its kind, as workers and keys take it."""
        return self.model_dump(exclude={"kind"}, mode="json")


class _ReportBasis(Settings):
    """What a rating rests on beside the road speed, as `buffet report` takes it."""

    road: Road | None = None
    car: Car | None = None
    wind: Wind | None = None
    without_tunnel: bool = False


class _Basis(_ReportBasis):
    """The same, with lines in or out: the report shows them."""

    without_lines: bool = False


class SpectraSettings(Settings):
    """PSD, peaks and RMS of one run, or of all, with the parts asked for."""

    run: RunNumber | None = None
    what: tuple[Part, ...] = Field(default=(), max_length=len(get_args(Part)))
    resolution: Resolution | None = None
    speed: Speed | None = None
    without_tunnel: bool = False
    without_lines: bool = False


class RateSettings(_Basis):
    """The verdict per configuration at a road speed."""

    speed: Speed = DEFAULT_SPEED_M_S
    up_to: UpTo = 250 * KM_H


class TableSettings(_Basis):
    """Loads, frequencies and verdicts over road speed."""

    lowest: Speed = Field(default=60 * KM_H, alias="from")
    highest: Speed = Field(default=220 * KM_H, alias="to")
    step: Speed = 10 * KM_H

    @model_validator(mode="after")
    def _in_order(self) -> TableSettings:
        if self.highest < self.lowest:
            raise ValueError("`to` must not lie below `from`")
        if (self.highest - self.lowest) / self.step > MOST_SPEEDS - 1:
            raise ValueError(f"more than {MOST_SPEEDS} road speeds; choose a larger step")
        return self


class CompareSettings(_Basis):
    """Add-ons against the baseline, and which to fit."""

    speed: Speed = DEFAULT_SPEED_M_S
    fuel_elasticity: float | None = Field(default=None, gt=0, le=1)
    equal_within: Share = 0.05


class ReportSettings(_ReportBasis):
    """The self-contained page for a client."""

    speed: Speed = DEFAULT_SPEED_M_S
    up_to: UpTo = 250 * KM_H
    fuel_elasticity: float | None = Field(default=None, gt=0, le=1)


class BoardSettings(_Basis):
    """Verdicts, curves and crossings over road speed, for a page that moves with it."""

    speed: Speed = DEFAULT_SPEED_M_S


class CheckSettings(Settings):
    """All findings of all runs."""


class RunSettings(Settings):
    """All that the page of one run shows: signals, spectra, peaks, findings."""

    run: RunNumber


class ExportSettings(Settings):
    """One run's calibrated samples as a file for other programs."""

    run: RunNumber
    suffix: Literal["h5", "parquet", "csv", "mat"] = "h5"


class SpectraRequest(SpectraSettings):
    """Asks for it."""

    kind: Literal["spectra"]


class RateRequest(RateSettings):
    """Asks for it."""

    kind: Literal["rate"]


class TableRequest(TableSettings):
    """Asks for it."""

    kind: Literal["table"]


class CompareRequest(CompareSettings):
    """Asks for it."""

    kind: Literal["compare"]


class ReportRequest(ReportSettings):
    """Asks for it."""

    kind: Literal["report"]


class BoardRequest(BoardSettings):
    """Asks for it."""

    kind: Literal["board"]


class CheckRequest(CheckSettings):
    """Asks for it."""

    kind: Literal["check"]


class RunRequest(RunSettings):
    """Asks for it."""

    kind: Literal["run"]


class ExportRequest(ExportSettings):
    """Asks for it."""

    kind: Literal["export"]


Analysis = Annotated[
    SpectraRequest
    | RateRequest
    | TableRequest
    | CompareRequest
    | ReportRequest
    | BoardRequest
    | CheckRequest
    | RunRequest
    | ExportRequest,
    Field(discriminator="kind"),
]


@cache
def _version() -> str:
    """Looked up once: it stands in a file."""
    return version("buffeting")


def result_key(manifest_sha256: str, kind: str, settings: dict[str, Any]) -> str:
    """SHA-256 of all that a result hangs on: content, what was asked, and the program."""
    parts = [manifest_sha256, kind, settings, _version()]
    text = json.dumps(parts, sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()
