"""Kinds of values a sheet's keys may hold, each with its limits and the words to refuse others."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, StrictStr
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from ingest.errors import QuantityError
from ingest.units import Dimension, parse_quantity, split_quantity, wanted_quantity

_YEARS = range(1900, 2201)  # of a recording's start; anything else is a slip of the pen


def fault(problem: str, key: str | None = None) -> PydanticCustomError:
    """A fault in our own words, at one key of the table where a table is at fault."""
    context = {"problem": problem} | ({"key": key} if key else {})
    return PydanticCustomError("fault", "{problem}", context)


@dataclass(frozen=True)
class Quantity:
    """Text with a unit, or a plain SI number, within limits; the field holds the SI number."""

    dimension: Dimension
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None

    @property
    def wanted(self) -> str:
        """What a sheet should state here."""
        return wanted_quantity(self.dimension)

    def read(self, given: Any) -> float:
        """Convert and check; raises the fault that pydantic collects."""
        try:
            value = parse_quantity(given, self.dimension)
        except QuantityError as error:
            raise fault(str(error)) from error
        if self.above is not None and value <= self.above:
            raise fault(f"must be above {self.above:g}, got {given!r}")
        if self.at_least is not None and value < self.at_least:
            raise fault(f"must be at least {self.at_least:g}, got {given!r}")
        if self.at_most is not None and value > self.at_most:
            raise fault(f"must be at most {self.at_most:g}, got {given!r}")
        return value

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> CoreSchema:
        """Read the whole value by ourselves."""
        return core_schema.no_info_plain_validator_function(self.read)


def _column(given: Any) -> str | int:
    if isinstance(given, str) and given:
        return given
    if isinstance(given, int) and not isinstance(given, bool) and given >= 0:
        return given
    raise fault(f"got {given!r}; wanted a column's name or its index from 0")


def _number_with_unit(given: Any) -> str | float:
    """Text whose unit only the whole channel can judge, or a plain SI number."""
    try:
        if isinstance(given, str):
            split_quantity(given)
            return given
        return parse_quantity(given, "ratio")
    except QuantityError as error:
        raise fault(f"got {given!r}; wanted a number with a unit, such as '250 N/V'") from error


def _plain_number(given: Any) -> float:
    """A number that is finite; text and true or false are none."""
    try:
        if not isinstance(given, str):
            return parse_quantity(given, "ratio")
    except QuantityError:
        pass
    raise fault(f"got {given!r}; wanted a plain finite number")


def _written_moment(given: Any) -> Any:
    """Only what reads as a date: pydantic would take a bare number as seconds since 1970."""
    if isinstance(given, datetime | str):
        return given
    raise fault(f"got {given!r}; wanted a date and time such as 2026-03-02T10:14:00Z")


def _plausible_moment(moment: datetime) -> datetime:
    if moment.year in _YEARS:
        return moment
    raise fault(f"must lie between {_YEARS[0]} and {_YEARS[-1]}, got {moment.isoformat()}")


def _count(given: Any) -> int:
    if isinstance(given, int) and not isinstance(given, bool) and given >= 1:
        return given
    raise fault(f"got {given!r}; wanted a whole number from 1 on")


def _encoding(given: str) -> str:
    try:
        return codecs.lookup(given).name
    except (LookupError, ValueError) as error:
        raise fault(f"got {given!r}; wanted an encoding such as 'utf-8' or 'latin-1'") from error


def one_or_more(given: Any) -> Any:
    """One table or text is a list of one."""
    return [given] if isinstance(given, dict | str) else given


def rate_or_file(given: Any) -> float | str:
    """A sample rate, or "file" for the one that the file itself states."""
    return "file" if given == "file" else Quantity("frequency", above=0.0).read(given)


def point(given: list[float] | None) -> tuple[float, float, float] | None:
    """The three coordinates of a `Point`, once it has been read."""
    return None if given is None else (given[0], given[1], given[2])


Area = Annotated[float, Quantity("area", above=0.0)]
CornerStiffness = Annotated[float, Quantity("cornering stiffness", above=0.0)]
Damping = Annotated[float, Quantity("damping", at_least=0.0)]
Density = Annotated[float, Quantity("density", above=0.0)]
Frequency = Annotated[float, Quantity("frequency", above=0.0)]
IdlePower = Annotated[float, Quantity("power", at_least=0.0)]
Inertia = Annotated[float, Quantity("inertia", above=0.0)]
Length = Annotated[float, Quantity("length", above=0.0)]
Mass = Annotated[float, Quantity("mass", above=0.0)]
ModeFrequency = Annotated[float, Quantity("frequency", at_least=0.0)]
NeckLength = Annotated[float, Quantity("length", at_least=0.0)]
NotNegative = Annotated[float, Quantity("ratio", at_least=0.0)]
Position = Annotated[float, Quantity("length")]
Power = Annotated[float, Quantity("power", above=0.0)]
Pressure = Annotated[float, Quantity("pressure", above=0.0)]
Ratio = Annotated[float, Quantity("ratio", above=0.0)]
AtLeastOne = Annotated[float, Quantity("ratio", at_least=1.0)]
SomeShare = Annotated[float, Quantity("ratio", above=0.0, at_most=1.0)]
RollStiffness = Annotated[float, Quantity("roll stiffness", above=0.0)]
RotationFrequency = Annotated[float, Quantity("rotation frequency", at_least=0.0)]
Scale = Annotated[float, Quantity("ratio", above=0.0, at_most=1.0)]
Share = Annotated[float, Quantity("ratio", at_least=0.0, at_most=1.0)]
Speed = Annotated[float, Quantity("speed")]
GroundSpeed = Annotated[float, Quantity("speed", at_least=0.0)]
AnyPressure = Annotated[float, Quantity("pressure")]
Stiffness = Annotated[float, Quantity("stiffness", above=0.0)]
Temperature = Annotated[float, Quantity("temperature", above=0.0)]
Time = Annotated[float, Quantity("time", at_least=0.0)]
Viscosity = Annotated[float, Quantity("viscosity", above=0.0)]
Volume = Annotated[float, Quantity("volume", at_least=0.0)]
CabinVolume = Annotated[float, Quantity("volume", above=0.0, at_most=200.0)]  # up to a coach's
Angle = Annotated[float, Quantity("angle")]

Column = Annotated[
    str | int, BeforeValidator(_column), Field(description="a column's name or its index from 0")
]
Count = Annotated[int, BeforeValidator(_count), Field(description="a whole number from 1 on")]
Number = Annotated[float, BeforeValidator(_plain_number)]
NumberWithUnit = Annotated[str | float, BeforeValidator(_number_with_unit)]
Started = Annotated[datetime, BeforeValidator(_written_moment), AfterValidator(_plausible_moment)]
Name = Annotated[StrictStr, Field(min_length=1, description="text in quotes")]
FilePath = Annotated[StrictStr, Field(min_length=1, description="a file's path in quotes")]
Encoding = Annotated[StrictStr, AfterValidator(_encoding)]
Character = Annotated[StrictStr, Field(min_length=1, max_length=1)]
Point = Annotated[list[Position], Field(min_length=3, max_length=3)]
Row = Annotated[int, Field(ge=0, strict=True)]
