"""What drag and lift do on the road: fuel by rule of thumb, top speed, load of each axle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from buffet.interval import Interval
from buffet.vehicle import GRAVITY_M_S2

if TYPE_CHECKING:
    from buffet.rating.rate import Rating

# Relative change of fuel per relative change of drag at constant speed, petrol: the half at
# 90-110 km/h is common practice without a traceable source, the rest a road-load estimate.
ELASTICITY_SPEED_M_S = (110 / 3.6, 130 / 3.6)
ELASTICITY = (0.5, 0.65)


def fuel_elasticity(speed_m_s: float) -> float:
    """The usual elasticity at a constant road speed."""
    return float(np.interp(speed_m_s, ELASTICITY_SPEED_M_S, ELASTICITY))


def fuel_change_percent(drag_change_percent: Interval, elasticity: float) -> Interval:
    """Change of fuel at a constant road speed; not for mixed driving."""
    return drag_change_percent.scaled(elasticity)


def top_speed_m_s(
    power_w: float, drag_area_m2: float, rolling_n: float, density_kg_m3: float
) -> float:
    """Speed at which drag and rolling resistance take all the power at the wheels.

    The positive root of ½ ρ C_D A V³ + R V = P; it is single, since the left side rises with V.
    """
    roots = np.roots([0.5 * density_kg_m3 * drag_area_m2, 0.0, rolling_n, -power_w])
    real = roots[np.abs(roots.imag) < 1e-6 * np.abs(roots)].real
    return float(real[real > 0][0])


def top_speed_change_percent(
    rating: Rating, baseline_drag: float, delta_drag: Interval
) -> tuple[Interval | None, str]:
    """Change of top speed, or None and the reason."""
    from ingest import ROAD_AIR

    load = rating.vehicle.road_load
    if load is None or load.power_w is None:
        return None, "the car's [road_load] power is not stated"
    power = load.power_w * (load.efficiency if load.efficiency is not None else 1.0)
    rolling = load.rolling_resistance * rating.vehicle.mass_kg * GRAVITY_M_S2

    def top(drag: float) -> float:
        area = drag * rating.full_scale.area_m2
        return top_speed_m_s(power, area, rolling, ROAD_AIR.density_kg_m3)

    if delta_drag.low is None or delta_drag.high is None or baseline_drag + delta_drag.low <= 0:
        return None, "the drag coefficient is not positive"
    before = top(baseline_drag)
    change = [
        100 * (top(baseline_drag + d) / before - 1)
        for d in (delta_drag.value, delta_drag.high, delta_drag.low)
    ]
    return Interval(*change), ""


@dataclass(frozen=True)
class AxleLift:
    """Mean lift of one axle at a road speed; up is positive and takes load off the axle."""

    lift_n: Interval | None  # None where not measured
    share: Interval | None  # of the static axle weight
    delta_n: Interval | None  # against the baseline
    delta_share: Interval | None


def axle_lift(rating: Rating, word: str, coefficient: Interval, delta: Interval | None) -> AxleLift:
    """A front or rear lift coefficient, and its change, as load at the rated road speed.

    Times ½ ρ V² and the full-scale area; the weight is that of the car at rest, level.
    """
    pressure = float(rating.full_scale.dynamic_pressure_pa(rating.speed_m_s))
    newtons = pressure * rating.full_scale.area_m2
    vehicle = rating.vehicle
    front_kg = vehicle.front_axle_mass_kg
    carried_kg = front_kg if word == "front lift" else vehicle.mass_kg - front_kg
    share = newtons / (carried_kg * GRAVITY_M_S2)
    return AxleLift(
        coefficient.scaled(newtons),
        coefficient.scaled(share),
        None if delta is None else delta.scaled(newtons),
        None if delta is None else delta.scaled(share),
    )
