"""The rating criteria: rows of a table, read from criteria.toml or the user's own file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from buffet.cabin.levels import level_interval, rms_pressure_pa
from buffet.errors import BuffetError
from buffet.interval import Interval
from buffet.phrases import listed

if TYPE_CHECKING:
    from pydantic import BaseModel

Verdict = Literal["unlikely", "possible", "likely", "undetermined"]
# A configuration takes its worst criterion in this order.
WORST_FIRST: tuple[Verdict, ...] = ("likely", "possible", "undetermined", "unlikely")
Metric = Literal[
    "seat-over-road",
    "seat-burst-over-road",
    "seat-weighted",
    "seat-lateral",
    "yaw-rate",
    "rear-axle-load",
    "seat-after-state-change",
    "cabin-level",
]
Coverage = Literal["vertical", "whole band"]
# Metrics whose row is in decibels re 20 µPa.
LEVELS: tuple[Metric, ...] = ("cabin-level",)
LEVEL_UNIT = "dB"


class CriteriaError(BuffetError):
    """A criteria file that cannot be used."""


@dataclass(frozen=True)
class Criterion:
    """One row: a metric with its two limits and the band it needs."""

    id: str
    metric: Metric
    motion: str
    unit: str
    possible: float
    likely: float
    band_hz: tuple[float, float]  # road frequencies
    coverage: Coverage
    source: str
    validity: str = ""  # what the metric takes for granted
    silent_below_m_s2: float = 0.0  # Wk r.m.s. below which the row stays "unlikely"

    @property
    def is_level(self) -> bool:
        """Whether limits are levels, of a metric that is an r.m.s. pressure in Pa."""
        return self.metric in LEVELS

    @property
    def limits(self) -> tuple[float, float]:
        """Both limits as the metric's curve has them."""
        return self.sized(self.possible), self.sized(self.likely)

    def sized(self, value: float) -> float:
        """A value in the row's unit as the metric's curve has it."""
        return rms_pressure_pa(value) if self.is_level else value

    def stated(self, metric: Interval) -> Interval:
        """A value of the metric's curve in the row's unit."""
        return level_interval(metric) if self.is_level else metric


@dataclass(frozen=True)
class Criteria:
    """All rows and the two probabilities that turn a row into a verdict."""

    rows: tuple[Criterion, ...]
    likely_from: float
    unlikely_below: float
    source: str  # file name

    def verdict(self, p_possible: float, p_likely: float) -> Verdict:
        """What one covered row says."""
        if p_likely >= self.likely_from:
            return "likely"
        return "unlikely" if p_possible < self.unlikely_below else "possible"


def read_criteria(path: Path | None = None) -> Criteria:
    """The package's criteria, or those of a file of the same form.

    Raises
    ------
    CriteriaError
        The file is missing, is no TOML, or has faults; all of them are listed.
    """
    import tomllib
    from importlib.resources import files

    where = "criteria.toml" if path is None else str(path)
    try:
        if path is None:
            text = files("buffet.rating").joinpath("criteria.toml").read_text(encoding="utf-8")
        else:
            text = path.read_text(encoding="utf-8")
        table = tomllib.loads(text)
    except OSError as error:
        raise CriteriaError(
            f"{where}: cannot be read ({error.strerror}); wanted a TOML file of criteria"
        ) from error
    except UnicodeDecodeError as error:
        raise CriteriaError(f"{where}: is not UTF-8 text; save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise CriteriaError(f"{where}: no valid TOML ({error}); mend it there") from error
    return _validated(table, where)


def _validated(table: dict[str, object], where: str) -> Criteria:
    from pydantic import ValidationError

    try:
        sheet = _sheet_model().model_validate(table).model_dump()
    except ValidationError as error:
        faults = [f"  {_said(dict(fault))}" for fault in error.errors()]
        head = f"{where}: faults in the criteria (verdict and criterion tables as in the package's)"
        raise CriteriaError("\n".join([head, *faults])) from error
    rows = tuple(Criterion(**row) for row in sheet["criterion"])
    return Criteria(rows, **sheet["verdict"], source=where)


def _said(fault: dict[str, Any]) -> str:
    """Key, what was given, and what is wanted; rows count from 1, as a reader does."""
    place = ".".join(f"{p + 1}" if isinstance(p, int) else str(p) for p in fault["loc"])
    if fault["type"] == "missing":
        return f"{place}: is missing"
    if fault["type"] == "extra_forbidden":
        return f"{place}: unknown key"
    if fault["type"] == "string_too_short":
        return f"{place}: must not be empty"
    wanted = fault["msg"].removeprefix("Value error, ").removeprefix("Input should ")
    given = "" if isinstance(fault["input"], dict) else f"got {fault['input']!r}; "
    return f"{place}: {given}{'must ' if wanted.startswith('be ') else ''}{wanted}"


def _sheet_model() -> type[BaseModel]:
    """Model of the file; made on call, since pydantic is slow to load."""
    from typing import Annotated

    from pydantic import BaseModel, ConfigDict, Field, model_validator

    positive = Annotated[float, Field(gt=0)]
    share = Annotated[float, Field(gt=0, lt=1)]

    class Row(BaseModel):
        model_config = ConfigDict(extra="forbid")
        id: Annotated[str, Field(min_length=1)]
        metric: Metric
        motion: str
        unit: str
        possible: positive
        likely: positive
        band_hz: tuple[positive, positive]
        coverage: Coverage
        source: Annotated[str, Field(min_length=1)]
        validity: str = ""
        silent_below_m_s2: Annotated[float, Field(ge=0)] = 0.0

        @model_validator(mode="after")
        def _in_order(self) -> Row:
            if self.likely <= self.possible:
                raise ValueError("likely must lie above possible")
            if self.band_hz[1] <= self.band_hz[0]:
                raise ValueError("band_hz must be [low, high] with low below high")
            if (self.metric in LEVELS) != (self.unit == LEVEL_UNIT):
                raise ValueError(f"unit must be {LEVEL_UNIT!r} of {listed(LEVELS)}, and only there")
            return self

    class Probabilities(BaseModel):
        model_config = ConfigDict(extra="forbid")
        likely_from: share
        unlikely_below: share

    class Sheet(BaseModel):
        model_config = ConfigDict(extra="forbid")
        format: Literal[1]
        verdict: Probabilities
        criterion: Annotated[list[Row], Field(min_length=1)]

    for model in (Row, Sheet):
        model.model_rebuild(_types_namespace={**globals(), **locals()})
    return Sheet
