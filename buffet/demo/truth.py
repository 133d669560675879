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


@dataclass(frozen=True)
class FanLine:
    """Pulsation of the tunnel's jet at the fan's blade passing, a pure line that scales."""

    hz_per_m_s: float = 0.85
    rms: Coefficients = None  # type: ignore[assignment]  # set below

    def frequency_hz(self, speed_m_s: float) -> float:
        """Frequency of the line."""
        return self.hz_per_m_s * speed_m_s


# Every tall value of lift lies on the rear axle: the wake closes behind the tailgate.
REAR_SHARE_OF_SHED_LIFT = 0.88
# Shedding peaks are broad, as behind bluff bodies at high Reynolds number (chosen).
SHEDDING_QUALITY = 6.0
# Where the broadband part starts to fall, in f L / U (chosen above the shedding peaks).
BROADBAND_CORNER = 0.25

MODEL = ModelTruth()
SCATTER = Scatter()
