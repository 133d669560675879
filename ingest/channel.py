"""One channel of a run as the run sheet states it, in SI."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, get_args

if TYPE_CHECKING:
    from ingest.measured_response import MeasuredResponse
    from ingest.tubing import Tube

Measures = Literal[
    "drag",
    "side force",
    "lift",
    "roll moment",
    "pitch moment",
    "yaw moment",
    "front lift",
    "rear lift",
    "front side force",
    "rear side force",
    "pressure",
    "cabin pressure",
    "bridge",
    "velocity",
    "acceleration",
    "reference",
    "dynamic pressure",
    "air speed",
    "temperature",
    "static pressure",
    "other",
]
MEASURES: tuple[str, ...] = get_args(Measures)

# Along an axis of the model (SAE J1594: x rearward, y right, z up), positive with it.
Direction = Literal["x", "y", "z"]

FORCES = (
    "drag",
    "side force",
    "lift",
    "front lift",
    "rear lift",
    "front side force",
    "rear side force",
)
MOMENTS = ("roll moment", "pitch moment", "yaw moment")
PRESSURES = ("pressure", "cabin pressure")
# Measures of a probe in the oncoming flow, ahead of the model.
PROBE = "reference"
# Measures that a sensor at the end of a tube can have.
TUBED = (*PRESSURES, PROBE, "dynamic pressure", "static pressure", "other")


@dataclass(frozen=True)
class Channel:
    """A calibrated channel: SI value = (raw · scale) + offset."""

    name: str
    column: str | int  # the recording's own name, or its zero-based index
    measures: Measures
    unit: str  # unit of the calibrated samples: "N", "N m", "Pa", "1", "m/s", "K", ...
    scale: float  # calibrated unit per raw unit (unit and gain together)
    offset: float = 0.0  # calibrated value of a raw zero (offset temperatures)
    full_scale_raw: float | None = None  # ± in the recording's own unit, for the clipping check
    natural_frequency_hz: float | None = None  # of the balance in this direction
    damping: float | None = None  # share of critical
    at_m: tuple[float, float, float] | None = None
    direction: Direction | None = None  # of an accelerometer on the model
    row: str | None = None  # of pressure taps along the flow that this one belongs to
    # What accelerometers, by name, add to a component: N or N m per m/s² (see inertia.py).
    inertial: tuple[tuple[str, float], ...] = ()
    made_of: tuple[str, ...] = ()  # channels behind a load of a balance calibrated as a whole
    standard_uncertainty: float | None = None  # of the calibration, in `unit`, k = 1
    gain_uncertainty: float | None = None  # of the calibration, relative, k = 1; all runs share it
    # Between tap and sensor: pieces in series from the tap on, or their measured response.
    tubing: tuple[Tube, ...] | MeasuredResponse | None = None
    stated: dict[str, Any] = field(default_factory=dict, compare=False)  # the sheet's own words

    @property
    def is_component(self) -> bool:
        """A force or a moment, as a load or as a coefficient."""
        return self.measures in (*FORCES, *MOMENTS)

    def rests_on(self, names: Collection[str | None]) -> bool:
        """Whether one of these channels is this one, or stands behind it."""
        return self.name in names or not set(names).isdisjoint(self.made_of)

    @property
    def is_coefficient(self) -> bool:
        """A force, moment or pressure logged as a coefficient already."""
        return self.unit == "1" and self.measures in (*FORCES, *MOMENTS, *PRESSURES)
