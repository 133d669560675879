"""[[channel]] of a run sheet: one column and what it measures."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, StrictStr, model_validator

from ingest.calibration import CalibrationFault, StraightLine, straight_line
from ingest.channel import TUBED, Direction, Measures
from ingest.sheet_tables import Table
from ingest.sheet_values import (
    Column,
    FilePath,
    Frequency,
    Length,
    Name,
    NumberWithUnit,
    Point,
    Share,
    Volume,
    fault,
    one_or_more,
)
from ingest.units import wanted_quantity

# Beyond these a number was meant in another unit (engineering judgement).
_LARGEST_TUBE = {
    "length": (100.0, "100 m"),
    "diameter": (0.05, "50 mm"),
    "volume": (1e-3, "1 litre"),
}


class TubingPiece(Table):
    """One tube between tap and sensor, or the measured response of all of them."""

    length: Length | None = None
    diameter: Length | None = None
    volume: Volume = 0.0
    response: FilePath | None = None

    @model_validator(mode="after")
    def _is_a_tube_or_a_response(self) -> TubingPiece:
        if self.response is not None:
            if self.model_fields_set != {"response"}:
                raise fault("stands alone: it holds the whole tubing", "response")
            return self
        for key, value in (("length", self.length), ("diameter", self.diameter)):
            if value is None:
                raise fault(f"is missing; wanted {wanted_quantity('length')}", key)
        return self

    @model_validator(mode="after")
    def _has_the_size_of_a_tube(self) -> TubingPiece:
        for key, (largest, shown) in _LARGEST_TUBE.items():
            if (value := getattr(self, key) or 0.0) > largest:
                problem = (
                    f"got {value:g} in SI units; wanted at most {shown} for a tube to a sensor"
                )
                raise fault(f"{problem}, a unit may be missing", key)
        if self.length is not None and self.diameter is not None and self.diameter > self.length:
            problem = f"must not exceed the length of {self.length:g} m, got {self.diameter:g} m"
            raise fault(problem, "diameter")
        return self


class ChannelTable(Table):
    """[[channel]]: one column and what it measures."""

    column: Column
    name: Name
    rate: Frequency | None = None
    measures: Annotated[Measures, Field(description="what the channel measures, e.g. 'lift'")]
    unit: Annotated[StrictStr, Field(description="the recording's unit, e.g. 'V'")]
    gain: NumberWithUnit | None = None
    offset: NumberWithUnit | None = None
    full_scale: NumberWithUnit | None = None
    gain_uncertainty: Share | None = None
    natural_frequency: Frequency | None = None
    damping: Share | None = None
    at: Point | None = None
    direction: Annotated[Direction | None, Field(description="'x', 'y' or 'z'")] = None
    row: Name | None = None
    tubing: Annotated[list[TubingPiece], BeforeValidator(one_or_more)] = Field(default_factory=list)

    def line(self) -> StraightLine:
        """Calibration in SI; Raises CalibrationFault where a unit does not fit."""
        return straight_line(self.measures, self.unit, self.gain, self.offset, self.full_scale)

    @model_validator(mode="after")
    def _units_fit(self) -> ChannelTable:
        try:
            self.line()
        except CalibrationFault as error:
            raise fault(error.problem, error.key) from error
        return self

    @model_validator(mode="after")
    def _tubing_fits(self) -> ChannelTable:
        if self.tubing and self.measures not in TUBED:
            problem = f"only goes with a pressure's sensor, got measures {self.measures!r}"
            raise fault(problem, "tubing")
        if len(self.tubing) > 1 and any(piece.response for piece in self.tubing):
            raise fault("a measured response stands alone: it holds the whole tubing", "tubing")
        return self

    @model_validator(mode="after")
    def _damping_has_a_frequency(self) -> ChannelTable:
        if self.damping is not None and self.natural_frequency is None:
            raise fault("only goes with natural_frequency", "damping")
        return self

    @model_validator(mode="after")
    def _direction_is_an_accelerometers(self) -> ChannelTable:
        if self.direction is not None and self.measures != "acceleration":
            problem = f"only goes with measures = 'acceleration', got measures {self.measures!r}"
            raise fault(problem, "direction")
        if self.direction is not None and self.at is None:
            raise fault("is missing; an accelerometer on the model needs its place", "at")
        return self

    @model_validator(mode="after")
    def _row_is_of_taps(self) -> ChannelTable:
        if self.row is not None and self.measures != "pressure":
            raise fault(f"only goes with a pressure tap, got measures {self.measures!r}", "row")
        if self.row is not None and self.at is None:
            raise fault("is missing; a tap of a row needs its place", "at")
        return self
