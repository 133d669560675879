"""What campaign.toml and a run sheet may hold: keys, kinds and limits."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, StrictStr, model_validator

from ingest.channel_models import ChannelTable
from ingest.errors import QuantityError
from ingest.model import BlockageMethod
from ingest.record import Excitation, Kind
from ingest.rig import CorrectionBounds
from ingest.sheet_tables import Sheet, Table
from ingest.sheet_values import (
    Angle,
    AnyPressure,
    Area,
    AtLeastOne,
    CabinVolume,
    Character,
    Column,
    Count,
    Density,
    Encoding,
    FilePath,
    Frequency,
    GroundSpeed,
    Inertia,
    Length,
    Mass,
    Name,
    Point,
    Pressure,
    Ratio,
    RotationFrequency,
    Row,
    Scale,
    Share,
    SomeShare,
    Speed,
    Started,
    Temperature,
    Time,
    Viscosity,
    fault,
    one_or_more,
    rate_or_file,
)
from ingest.tunnel import Rotation
from ingest.units import parse_quantity


class CampaignTable(Table):
    """[campaign]: what the campaign is called and compared with."""

    title: Name
    baseline: Name | None = None


class ModelTable(Table):
    """[model]: lengths, area and mass of the model."""

    scale: Scale
    frontal_area: Area
    wheelbase: Length
    strouhal_length: Length
    strouhal_length_is: Name | None = None
    mass: Mass | None = None
    centre_of_gravity: Point | None = None
    roll_inertia: Inertia | None = None
    pitch_inertia: Inertia | None = None
    yaw_inertia: Inertia | None = None
    cabin_volume: CabinVolume | None = None

    @model_validator(mode="after")
    def _mass_has_a_place(self) -> ModelTable:
        """A mass acts at its centre of gravity, and inertias belong to a mass."""
        if self.mass is not None and self.centre_of_gravity is None:
            raise fault("is missing; a stated mass needs its place", "centre_of_gravity")
        if self.mass is None:
            for key in ("centre_of_gravity", "roll_inertia", "pitch_inertia", "yaw_inertia"):
                if getattr(self, key) is not None:
                    raise fault("only goes with mass", key)
        return self


class TestSectionTable(Table):
    """[test_section]: what bounds the flow."""

    __test__ = False  # not a test class, whatever its name says to pytest

    kind: Annotated[Literal["closed", "open"], Field(description="'closed' or 'open'")]
    area: Area
    blockage: BlockageMethod = "none"
    blockage_factor: Ratio | None = None  # continuity: share of the model's area; maskell: theta

    @model_validator(mode="after")
    def _rules_are_for_closed_sections(self) -> TestSectionTable:
        if self.kind == "open" and self.blockage != "none":
            raise fault(
                f"{self.blockage!r} holds between walls; an open jet gives way, and its error has "
                "the other sign: choose 'none', and state the dynamic pressure that the tunnel's "
                "own calibration gives at the model (SAE J2071)",
                "blockage",
            )
        return self

    @model_validator(mode="after")
    def _factor_is_the_rules(self) -> TestSectionTable:
        if self.blockage_factor is None:
            return self
        if self.blockage == "none":
            raise fault("only goes with blockage = 'continuity' or 'maskell'", "blockage_factor")
        if self.blockage == "continuity" and self.blockage_factor > 1.0:
            problem = "is the share of the model's area and must be at most 1"
            raise fault(f"{problem}, got {self.blockage_factor:g}", "blockage_factor")
        return self


class FileReference(Table):
    """A table that names a file."""

    file: FilePath


class TunnelTable(Table):
    """[tunnel]: what turns in the tunnel."""

    fan_speed: RotationFrequency | None = None  # of the shaft
    blades: Count | None = None
    belt_length: Length | None = None  # of the whole loop
    belt_speed: GroundSpeed | None = None  # the wind's where it is not stated


class WheelsTable(Table):
    """[wheels]: the model's wheels, which roll on the belt."""

    diameter: Length | None = None


class CorrectionsTable(Table):
    """[corrections]: how far the rig's response is taken out."""

    largest_amplification: AtLeastOne | None = None
    largest_noise_share: SomeShare | None = None
    usable_share_of_resonance: SomeShare | None = None

    def over(self, bounds: CorrectionBounds) -> CorrectionBounds:
        """These bounds with what is stated here in their place."""
        return replace(bounds, **self.model_dump(exclude_none=True))


class SharedTables(Table):
    """What campaign.toml and a run sheet may state alike; the run sheet's keys go first."""

    tunnel: TunnelTable = TunnelTable()
    wheels: WheelsTable = WheelsTable()
    corrections: CorrectionsTable = CorrectionsTable()

    @property
    def rotation(self) -> Rotation:
        """What turns, as far as this sheet states it."""
        return Rotation(
            fan_hz=self.tunnel.fan_speed,
            blades=self.tunnel.blades,
            belt_length_m=self.tunnel.belt_length,
            belt_speed_m_s=self.tunnel.belt_speed,
            wheel_diameter_m=self.wheels.diameter,
        )


class CampaignSheet(Sheet, SharedTables):
    """campaign.toml."""

    campaign: Annotated[CampaignTable, Field(description="a [campaign] table with a title")]
    model: ModelTable | None = None
    test_section: TestSectionTable | None = None
    vehicle: FileReference | None = None
    balance: FileReference | None = None  # of the run sheets that have bridges and name none


class RunTable(Table):
    """[run]: which run this is."""

    number: Name
    configuration: Name | None = None
    kind: Annotated[Kind, Field(description="'wind-on' or 'wind-off'")]
    excitation: Annotated[Excitation | None, Field(description="'tap'")] = None
    recording: Annotated[
        list[FilePath],
        BeforeValidator(one_or_more),
        Field(min_length=1, description="a file's path in quotes, or a list of them"),
    ]
    started: Started | None = None
    zero_before: Name | None = None
    zero_after: Name | None = None
    yaw: Angle = 0.0
    note: StrictStr | None = None

    @model_validator(mode="after")
    def _wind_on_names_its_configuration(self) -> RunTable:
        if self.kind == "wind-on" and self.configuration is None:
            raise fault("a wind-on run must name its configuration", "configuration")
        return self

    @model_validator(mode="after")
    def _is_tapped_without_wind(self) -> RunTable:
        if self.kind == "wind-on" and self.excitation is not None:
            problem = f"only goes with kind = 'wind-off', got {self.excitation!r} on a wind-on run"
            raise fault(problem, "excitation")
        return self


class AirTable(Table):
    """[air]: the flow and its properties."""

    speed: Speed | None = None
    dynamic_pressure: AnyPressure | None = None
    dynamic_pressure_uncertainty: Share | None = None
    temperature: Temperature | None = None
    static_pressure: Pressure | None = None
    relative_humidity: Share | None = None
    density: Density | None = None
    viscosity: Viscosity | None = None


class SamplingTable(Table):
    """[sampling]: rate or clock, filter and the part that is used."""

    rate: Annotated[float | Literal["file"], BeforeValidator(rate_or_file)] | None = None
    resample_to: Frequency | None = None
    antialias_cutoff: Frequency | None = None
    time_column: Column | None = None
    time_unit: StrictStr = "s"
    time_format: Name | None = None
    start: Annotated[Time | None, Field(alias="from")] = None
    to: Time | None = None

    @model_validator(mode="after")
    def _has_one_clock(self) -> SamplingTable:
        if (self.rate is None) == (self.time_column is None):
            has = "has neither" if self.rate is None else "has both"
            raise fault(f"needs either rate or time_column; this sheet {has}")
        return self

    @model_validator(mode="after")
    def _ends_after_it_starts(self) -> SamplingTable:
        if self.to is not None and self.to <= (self.start or 0.0):
            raise fault(f"must be later than from, got {self.to:g} s", "to")
        return self

    @model_validator(mode="after")
    def _time_unit_is_a_time(self) -> SamplingTable:
        try:
            parse_quantity(f"1 {self.time_unit}", "time")
        except QuantityError as error:
            problem = f"must be a unit of time such as 's' or 'ms', got {self.time_unit!r}"
            raise fault(problem, "time_unit") from error
        return self


class FileTable(Table):
    """[file]: how delimited text is laid out."""

    delimiter: Character | None = None
    decimal: Literal[".", ","] | None = None
    encoding: Encoding | None = None
    skip_rows: Row | None = None
    header_row: Row | None = None
    units_row: Row | None = None
    comment: Name | None = None
    missing: list[StrictStr] = Field(default_factory=list)
    orientation: Literal["columns", "rows"] | None = None


class RunSheet(Sheet, SharedTables):
    """One of runs/*.toml."""

    run: Annotated[RunTable, Field(description="a [run] table with number, kind and recording")]
    sampling: Annotated[SamplingTable, Field(description="[sampling] with rate or time_column")]
    channel: Annotated[list[ChannelTable], Field(min_length=1, description="[[channel]] tables")]
    air: AirTable = AirTable()
    file: FileTable = FileTable()
    balance: FileReference | None = None
