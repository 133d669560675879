"""What balance and tubes must do for the wanted road band."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

from ingest import ROAD_AIR, Channel, CorrectionBounds, RigResponse, Tube, gas_at

# A tube from which shorter ones are sought; nobody runs a longer one to a sensor for fluctuations.
LONGEST_TUBE_M = 5.0


@dataclass(frozen=True)
class BalanceNeed:
    """Natural frequency of the balance with the model on it."""

    slowest_hz: float  # for the slowest wind, whose runs reach the highest road frequencies
    every_hz: float  # for each run by itself
    available_hz: float | None  # what there is
    usable_share: float
    model_mass_kg: float | None

    @property
    def stiffness_n_m(self) -> float | None:
        """k = m (2 π f)² for the slowest wind; None where no mass is stated."""
        if self.model_mass_kg is None:
            return None
        return stiffness_n_m(self.model_mass_kg, self.slowest_hz)

    @property
    def usable_hz(self) -> float | None:
        """How far there is corrected for, in the tunnel."""
        return None if self.available_hz is None else self.usable_share * self.available_hz

    @property
    def is_enough(self) -> bool:
        """Whether what there is does; where it is not known it is not judged."""
        return self.available_hz is None or self.available_hz >= self.slowest_hz * (1 - 1e-9)


@dataclass(frozen=True)
class TubeNeed:
    """How long a tube of this bore and volume may be."""

    bore_m: float
    volume_m3: float
    to_hz: float
    longest_m: float | None  # None: no length will do
    largest_amplification: float

    @property
    def is_open(self) -> bool:
        """Whether even the longest that was looked at does."""
        return self.longest_m is not None and self.longest_m > LONGEST_TUBE_M * (1 - 1e-3)


def stiffness_n_m(mass_kg: float, natural_hz: float) -> float:
    """Of the support that gives a mass this natural frequency, k = m (2 π f)²."""
    return mass_kg * (2 * pi * natural_hz) ** 2


def tube_need(bore_m: float, volume_m3: float, to_hz: float, bounds: CorrectionBounds) -> TubeNeed:
    """Longest tube whose response can be corrected to a frequency, in the road's air."""
    air = ROAD_AIR
    gas = gas_at(air.density_kg_m3, air.static_pressure_pa, air.viscosity_pa_s)
    rig = RigResponse(4 * to_hz, bounds=bounds, gas=gas)
    tubing = (Tube(LONGEST_TUBE_M, bore_m, volume_m3),)
    tap = Channel("tap", 0, "pressure", "Pa", 1.0, tubing=tubing)
    longest = rig.longest_tubing_m(tap, to_hz)
    return TubeNeed(bore_m, volume_m3, to_hz, longest, bounds.largest_amplification)
