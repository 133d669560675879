"""The stated truth of the invented campaign: every number that the signals are made from.

Coefficients are those of the tunnel as it runs: dynamic pressure of the stated wind speed, model
frontal area, moments over the wheelbase as well. No blockage effect and no Reynolds number trend
are simulated, so St and the RMS coefficients are the same at every wind speed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from buffet.demo.spectra import Broadband, Resonance, Shape, TwoState

Coefficients = Mapping[str, float]

DRAG, FRONT_LIFT, REAR_LIFT = "drag", "front lift", "rear lift"
SIDE_FORCE, YAW_MOMENT = "side force", "yaw moment"
TAP_LEFT, TAP_RIGHT = "tailgate left", "tailgate right"
COMPONENTS = (DRAG, FRONT_LIFT, REAR_LIFT, SIDE_FORCE, YAW_MOMENT, TAP_LEFT, TAP_RIGHT)

# Sums of the logged components (SAE J1594: C_LF = C_L/2 + C_PM, C_LR = C_L/2 − C_PM).
DERIVED: Mapping[str, Coefficients] = {
    "lift": {FRONT_LIFT: 1.0, REAR_LIFT: 1.0},
    "pitch moment": {FRONT_LIFT: 0.5, REAR_LIFT: -0.5},
}


@dataclass(frozen=True)
class ModelTruth:
    """The model and the tunnel."""

    scale: float = 0.30
    frontal_area_m2: float = 0.194
    wheelbase_m: float = 0.775
    strouhal_length_m: float = 0.435
    test_section_m2: float = 4.5

    def advection_hz(self, speed_m_s: float) -> float:
        """U/L, the unit of frequency that St counts in."""
        return speed_m_s / self.strouhal_length_m


@dataclass(frozen=True)
class Source:
    """One random cause of unit variance and the RMS coefficient it leaves in each component."""

    part: str
    shape: Shape
    rms: Coefficients  # signed: components of opposite sign move in antiphase
    shared: bool = True  # one signal for all its components, else an independent one for each
    modulated: bool = False  # driven harder in the second of two states

    def drivers(self) -> tuple[Coefficients, ...]:
        """RMS coefficients by component, one mapping for each independent signal."""
        return (self.rms,) if self.shared else tuple({key: self.rms[key]} for key in self.rms)


@dataclass(frozen=True)
class Configuration:
    """A state of the car, its coefficients and what a driver should feel."""

    name: str
    mean: Coefficients
    sources: tuple[Source, ...]
    verdict_at_130_km_h: str  # target: unlikely, possible or likely

    @property
    def switching(self) -> TwoState | None:
        """The two states, if this wake has two."""
        return next((s.shape for s in self.sources if isinstance(s.shape, TwoState)), None)


@dataclass(frozen=True)
class Scatter:
    """What differs between repeats of one configuration: standard deviations, normal."""

    fluctuation: float = 0.010  # relative, one factor for all fluctuations of a run
    mean_force: float = 0.0010  # coefficient, each component on its own
    mean_moment: float = 0.0003
    mean_pressure: float = 0.0015

    def mean(self, component: str) -> float:
        """Standard deviation of a component's mean coefficient between repeats."""
        if component == YAW_MOMENT:
            return self.mean_moment
        return self.mean_pressure if component in (TAP_LEFT, TAP_RIGHT) else self.mean_force


@dataclass(frozen=True)
class FanLine:
    """Pulsation of the tunnel's jet as the fan's blades pass: a pure line that scales."""

    hz_per_m_s: float
    rms: Coefficients
    blades: int

    def frequency_hz(self, speed_m_s: float) -> float:
        """Frequency of the line."""
        return self.hz_per_m_s * speed_m_s

    def shaft_rpm(self, speed_m_s: float) -> float:
        """What the fan's instrument shows."""
        return 60.0 * self.frequency_hz(speed_m_s) / self.blades


# Nearly all of the shed lift acts on the rear axle: the wake closes behind the tailgate (chosen).
REAR_SHARE_OF_SHED_LIFT = 0.88
# Shedding peaks are broad, as behind bluff bodies at a high Reynolds number (chosen).
SHEDDING_QUALITY = 6.0
# Where the broadband part starts to fall, in f L / U: above the shedding peaks (chosen).
BROADBAND_CORNER = 0.25


def _vertical(strouhal: float, lift: float, drag: float, taps: float) -> tuple[Source, ...]:
    """Vertical shedding: lift and half of drag's energy from one source, the rest from another."""
    peak = Resonance(strouhal, SHEDDING_QUALITY)
    half_drag = drag * 0.5**0.5
    rms = {
        DRAG: half_drag,
        FRONT_LIFT: lift * (1.0 - REAR_SHARE_OF_SHED_LIFT),
        REAR_LIFT: lift * REAR_SHARE_OF_SHED_LIFT,
        TAP_LEFT: -taps,
        TAP_RIGHT: -taps,
    }
    return (
        Source("vertical shedding", peak, rms, modulated=True),
        Source("vertical shedding", peak, {DRAG: half_drag}, modulated=True),
    )


def _lateral(strouhal: float, side: float, yaw: float, taps: float) -> Source:
    """Lateral shedding: acts behind the origin, so yaw opposes side force; taps in antiphase."""
    rms = {SIDE_FORCE: side, YAW_MOMENT: -yaw, TAP_LEFT: taps, TAP_RIGHT: -taps}
    return Source("lateral shedding", Resonance(strouhal, SHEDDING_QUALITY), rms)


def _broadband(level: float) -> tuple[Source, ...]:
    """Turbulent wake: a part that moves drag, lift and taps together, and each one's own part."""
    shape = Broadband(BROADBAND_CORNER)
    together = {DRAG: 0.0020, FRONT_LIFT: 0.0008, REAR_LIFT: 0.0030, TAP_LEFT: -0.012}
    together[TAP_RIGHT] = -0.012
    alone = {DRAG: 0.0020, FRONT_LIFT: 0.0015, REAR_LIFT: 0.0030, SIDE_FORCE: 0.0040}
    alone |= {YAW_MOMENT: 0.0012, TAP_LEFT: 0.015, TAP_RIGHT: 0.015}
    return (
        Source("broadband", shape, {key: level * rms for key, rms in together.items()}),
        Source("broadband", shape, {key: level * rms for key, rms in alone.items()}, shared=False),
    )


def _mean(
    drag: float, front_lift: float, rear_lift: float, pressure: float, left_right: float = 0.0
) -> Coefficients:
    """Mean coefficients; the small side force and tap difference are the model's own asymmetry."""
    return {
        DRAG: drag,
        FRONT_LIFT: front_lift,
        REAR_LIFT: rear_lift,
        SIDE_FORCE: 0.0030,
        YAW_MOMENT: -0.0008,
        TAP_LEFT: pressure - left_right / 2,
        TAP_RIGHT: pressure + left_right / 2,
    }


# Two states of the shallow tail: the flow follows the tail (more lift, less drag), then lets go.
_TAIL_STATES = TwoState(("attached", "separated"), dwell_lengths=(140.0, 90.0), amplitude_ratio=1.6)
_TAIL_SWITCHING = Source(
    "switching",
    _TAIL_STATES,
    {DRAG: 0.0020, FRONT_LIFT: 0.0006, REAR_LIFT: -0.0060, TAP_LEFT: -0.020, TAP_RIGHT: -0.020},
)

MODEL = ModelTruth()
SCATTER = Scatter()
FAN_LINE = FanLine(
    hz_per_m_s=0.85,  # St 0.37, away from every shedding peak and from the mains
    rms={DRAG: 0.0010, FRONT_LIFT: 0.0002, REAR_LIFT: 0.0004, TAP_LEFT: 0.004, TAP_RIGHT: 0.004},
    blades=6,
)

CONFIGURATIONS = (
    Configuration(
        "bare tailgate",
        _mean(drag=0.335, front_lift=0.020, rear_lift=0.140, pressure=-0.180, left_right=0.004),
        (
            *_vertical(strouhal=0.20, lift=0.030, drag=0.0070, taps=0.045),
            _lateral(strouhal=0.17, side=0.0080, yaw=0.0030, taps=0.030),
            *_broadband(level=1.0),
        ),
        "likely",
    ),
    Configuration(
        "long spoiler",
        _mean(drag=0.322, front_lift=0.026, rear_lift=0.070, pressure=-0.160, left_right=0.004),
        (
            *_vertical(strouhal=0.20, lift=0.015, drag=0.0036, taps=0.022),
            _lateral(strouhal=0.17, side=0.0060, yaw=0.0022, taps=0.022),
            *_broadband(level=0.85),
        ),
        "possible",
    ),
    Configuration(
        "wing",
        _mean(drag=0.352, front_lift=0.038, rear_lift=-0.035, pressure=-0.150, left_right=0.004),
        (
            *_vertical(strouhal=0.25, lift=0.005, drag=0.0018, taps=0.010),
            _lateral(strouhal=0.18, side=0.0050, yaw=0.0018, taps=0.018),
            *_broadband(level=0.7),
        ),
        "unlikely",
    ),
    Configuration(
        "shallow tail",
        _mean(drag=0.308, front_lift=0.012, rear_lift=0.175, pressure=-0.120, left_right=0.004),
        (
            *_vertical(strouhal=0.13, lift=0.020, drag=0.0048, taps=0.030),
            _lateral(strouhal=0.16, side=0.0060, yaw=0.0022, taps=0.022),
            _TAIL_SWITCHING,
            *_broadband(level=0.9),
        ),
        "possible",
    ),
)
