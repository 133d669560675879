"""Cars drawn from what is not known of one, for the uncertainty of what they feel.

Keys of [spread] are those of the other tables, with relative standard deviations. A key of an axle
moves front and rear by the same factor; one such as "front.damping" moves its axle alone, and both
may be stated. A drawn mass takes the front axle's along, so that the share of the axles stays;
front_axle_mass spreads the share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from buffet.vehicle.car import CarModel
from buffet.vehicle.masses import ImpossibleCarError

if TYPE_CHECKING:
    from ingest import Axle, Vehicle

Array = NDArray[np.float64]

# Relative standard deviations for a car that states none: what values of the same kind of car, or
# of one car from a data sheet and another source, differ by (engineering judgement).
DEFAULT_SPREAD: dict[str, float] = {
    "mass": 0.05,  # load and tank
    "front_axle_mass": 0.03,
    "cg_height": 0.05,
    "pitch_inertia": 0.10,
    "roll_inertia": 0.12,
    "yaw_inertia": 0.10,
    "track": 0.01,
    "unsprung_mass": 0.10,
    "wheel_rate": 0.10,
    "damping": 0.20,  # one straight line through a bent curve
    "tyre_stiffness": 0.10,
    "cornering_stiffness": 0.15,
    "relaxation_length": 0.25,
    "roll_stiffness": 0.20,
    "roll_centre_height": 0.30,
    "ratio": 0.03,
    "trail": 0.20,
    "assist": 0.05,
    "rolling_resistance": 0.10,
}
# Draws for one car before its spread is called too wide.
MOST_TRIES = 100

_BODY = {
    "mass": "mass_kg",
    "wheelbase": "wheelbase_m",
    "front_axle_mass": "front_axle_mass_kg",
    "cg_height": "cg_height_m",
    "pitch_inertia": "pitch_inertia_kg_m2",
    "roll_inertia": "roll_inertia_kg_m2",
    "yaw_inertia": "yaw_inertia_kg_m2",
}
_AXLE = {
    "unsprung_mass": "unsprung_mass_kg",
    "wheel_rate": "wheel_rate_n_m",
    "damping": "damping_n_s_m",
    "tyre_stiffness": "tyre_stiffness_n_m",
    "track": "track_m",
    "cornering_stiffness": "cornering_stiffness_n_rad",
    "relaxation_length": "relaxation_length_m",
    "roll_stiffness": "roll_stiffness_n_m_rad",
    "roll_centre_height": "roll_centre_height_m",
}
_STEERING = {"ratio": "ratio", "trail": "trail_m", "assist": "assist"}
_ROAD_LOAD = {
    "rolling_resistance": "rolling_resistance",
    "power": "power_w",
    "efficiency": "efficiency",
    "idle_power": "idle_power_w",
    "recuperation": "recuperation",
    "rotating_mass_share": "rotating_mass_share",
}
_SHARES = ("assist", "efficiency", "recuperation")  # at most 1


def spread_of(vehicle: Vehicle) -> tuple[Mapping[str, float], bool]:
    """Return the car's relative standard deviations, and whether the sheet states all of them.

    A key that the sheet leaves out has its default: what nobody stated is not exact. One that is
    stated for an axle has none for both.
    """
    stated = dict(vehicle.spread or {})
    told = {key.rpartition(".")[2] for key in stated}
    silent = {key: wide for key, wide in DEFAULT_SPREAD.items() if key not in told}
    return {**silent, **stated}, not silent


def draw_vehicles(vehicle: Vehicle, n: int, rng: np.random.Generator) -> tuple[Vehicle, ...]:
    """Return n cars as the spread lets them be, each possible; the same generator, the same cars.

    Each key's factor is lognormal with a mean of 1 and its relative standard deviation. A car that
    could not be (wheels that outweigh an axle, a body that falls over) is drawn again.

    More cars than keys have the stated moments themselves: the normal variables behind the factors
    are made uncorrelated, of mean 0 and variance 1 over the cars, so that few cars tell mean and
    variance of what follows the factors linearly without sampling error.

    Raises
    ------
    ImpossibleCarError
        If the car itself is impossible, or the spread hardly leaves a possible one.
    """
    CarModel.of(vehicle)
    spread = {key: wide for key, wide in spread_of(vehicle)[0].items() if wide}
    return tuple(
        _possible(vehicle, spread, row, rng) for row in _normal(n, len(spread), rng).tolist()
    )


def _normal(n: int, n_keys: int, rng: np.random.Generator) -> Array:
    """Standard normal variables, uncorrelated where there are more cars than keys.

    Of fewer cars every second one is the opposite of the one before it.
    """
    if n <= n_keys + 1:
        half = rng.standard_normal(((n + 1) // 2, n_keys))
        return np.stack([half, -half], axis=1).reshape(-1, n_keys)[:n]
    drawn = rng.standard_normal((n, n_keys))
    drawn -= drawn.mean(axis=0)
    left, _, right = np.linalg.svd(drawn, full_matrices=False)
    return np.asarray(np.sqrt(n) * left @ right)


def _possible(
    vehicle: Vehicle, spread: Mapping[str, float], first: list[float], rng: np.random.Generator
) -> Vehicle:
    """By the first variables, or by others where these make no car."""
    row = first
    for _ in range(MOST_TRIES):
        factors = {k: _factor(wide, z) for (k, wide), z in zip(spread.items(), row, strict=True)}
        drawn = _drawn(vehicle, factors)
        if drawn is not None:
            return drawn
        row = rng.standard_normal(len(spread)).tolist()
    raise ImpossibleCarError(
        f"{vehicle.name}: of {MOST_TRIES} cars drawn from [spread] none is possible; state smaller "
        "relative standard deviations"
    )


def _factor(relative: float, normal: float) -> float:
    """Lognormal with a mean of 1 and a standard deviation of `relative`."""
    variance = math.log1p(relative**2)
    return math.exp(math.sqrt(variance) * normal - variance / 2)


def _drawn(vehicle: Vehicle, factors: Mapping[str, float]) -> Vehicle | None:
    """The car with its values multiplied; None where there is no such car."""
    body = _times(vehicle, _BODY, factors)
    if "mass" in factors:
        carried = body.get("front_axle_mass_kg", vehicle.front_axle_mass_kg)
        body["front_axle_mass_kg"] = carried * factors["mass"]
    drawn = replace(
        vehicle,
        **body,
        front=_axle(vehicle.front, "front", factors),
        rear=_axle(vehicle.rear, "rear", factors),
        steering=vehicle.steering
        and replace(vehicle.steering, **_times(vehicle.steering, _STEERING, factors)),
        road_load=vehicle.road_load
        and replace(vehicle.road_load, **_times(vehicle.road_load, _ROAD_LOAD, factors)),
    )
    if any(share is not None and share > 1 for share in _shares(drawn)):
        return None
    try:
        CarModel.of(drawn)
    except ImpossibleCarError:
        return None
    return drawn


def _shares(vehicle: Vehicle) -> list[float | None]:
    holders = (vehicle.steering, vehicle.road_load)
    return [getattr(holder, key, None) for holder in holders for key in _SHARES]


def _axle(axle: Axle, place: str, factors: Mapping[str, float]) -> Axle:
    own = {
        key: factors.get(key, 1.0) * factors.get(f"{place}.{key}", 1.0)
        for key in _AXLE
        if key in factors or f"{place}.{key}" in factors
    }
    return replace(axle, **_times(axle, _AXLE, own))


def _times(holder: Any, fields: Mapping[str, str], factors: Mapping[str, float]) -> dict[str, Any]:
    """Fields that are stated and spread, by name, times their factors."""
    return {
        name: getattr(holder, name) * factors[key]
        for key, name in fields.items()
        if key in factors and getattr(holder, name) is not None
    }
