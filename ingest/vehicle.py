"""The full-scale car as stated in vehicle.toml: plain SI numbers, no behaviour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

if TYPE_CHECKING:
    from ingest.measured_response import MeasuredResponse

# How a rigid body moves, in the order of the components that do work on it: along x, y and z (m),
# and roll right side down, pitch nose up, yaw nose right (rad).
BodyMotion = Literal["x", "y", "z", "roll", "pitch", "yaw"]
BODY_MOTIONS: tuple[BodyMotion, ...] = get_args(BodyMotion)


@dataclass(frozen=True)
class Axle:
    """One axle; rates and masses are per wheel, roll stiffness is per axle."""

    unsprung_mass_kg: float
    wheel_rate_n_m: float  # suspension spring rate at the wheel
    damping_n_s_m: float  # suspension damping at the wheel
    tyre_stiffness_n_m: float
    track_m: float | None = None
    cornering_stiffness_n_rad: float | None = None  # per wheel
    relaxation_length_m: float | None = None
    roll_stiffness_n_m_rad: float | None = None  # per axle: anti-roll bar, beyond the springs
    roll_centre_height_m: float | None = None  # over the ground


@dataclass(frozen=True)
class Steering:
    """Steering system between the front wheels and the driver's hands."""

    ratio: float
    trail_m: float
    assist: float  # share of the torque that the assistance takes, 0 to 1


@dataclass(frozen=True)
class Seat:
    """What lies between the seat's base and the person on it, where it is stated."""

    cushion_frequency_hz: float | None = None
    cushion_damping: float | None = None
    x: MeasuredResponse | None = None  # person over base, along each axis
    y: MeasuredResponse | None = None
    z: MeasuredResponse | None = None


@dataclass(frozen=True)
class MeasuredMode:
    """One mode of the body, as a modal test on the car gives it."""

    name: str
    natural_frequency_hz: float  # 0 for a motion that nothing springs back
    damping: float
    modal_mass_kg: float
    # (6,): the origin's motion by `BODY_MOTIONS` per unit of the modal coordinate, m and rad.
    shape: tuple[float, float, float, float, float, float]


@dataclass(frozen=True)
class RoadLoad:
    """What the driving resistance besides drag, and the engine, contribute."""

    rolling_resistance: float
    power_w: float | None = None
    efficiency: float | None = None  # power at the wheels over `power_w`
    idle_power_w: float = 0.0  # taken besides, in the same terms as `power_w`, whatever the load
    recuperation: float = 0.0  # share of the wheels' braking energy that comes back
    rotating_mass_share: float = 0.0  # equivalent mass of what turns, over the car's mass


@dataclass(frozen=True)
class OpenCabin:
    """The cabin and the window or roof that opens it to the wind."""

    volume_m3: float
    opening_m2: float
    opening_length_m: float | None = None  # along the wind; None: as long as a square's side
    neck_m: float = 0.0  # of the frame that the air passes


@dataclass(frozen=True)
class Vehicle:
    """The car that feels the force (section 2's axes, full scale, driver in)."""

    name: str
    source: str
    mass_kg: float
    wheelbase_m: float
    front_axle_mass_kg: float  # what the front axle's scales read, unsprung included
    cg_height_m: float
    pitch_inertia_kg_m2: float  # sprung mass
    front: Axle
    rear: Axle
    seat_at_m: tuple[float, float, float]  # x rearward of mid-wheelbase, y right, z up
    seat: Seat = Seat()
    roll_inertia_kg_m2: float | None = None  # sprung mass
    yaw_inertia_kg_m2: float | None = None  # sprung mass
    steering: Steering | None = None
    road_load: RoadLoad | None = None
    spread: Mapping[str, float] | None = None  # relative standard deviations by key
    modes: tuple[MeasuredMode, ...] = ()  # in place of what masses and springs would give
    cabin: OpenCabin | None = None  # where something is open

    @property
    def cg_x_m(self) -> float:
        """Centre of gravity of the whole car, rearward of mid-wheelbase."""
        return self.wheelbase_m * (0.5 - self.front_axle_mass_kg / self.mass_kg)
