"""Cars drawn from a spread: moments as stated, keys that move together, only possible cars."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buffet.vehicle import (
    DEFAULT_SPREAD,
    ImpossibleCarError,
    LateralModel,
    draw_vehicles,
    spread_of,
    typical_car,
)
from ingest.vehicle import Axle, Vehicle
from ingest.vehicle_models import SPREADABLE
from tests.buffet.lateral_cars import SALOON


def exact_but(car: Vehicle, spread: dict[str, float]) -> Vehicle:
    """The car with nothing uncertain but these keys."""
    exact = dict.fromkeys(DEFAULT_SPREAD, 0.0)
    return replace(car, spread={**exact, **spread})


def _drawn(car: Vehicle, n: int = 4000, seed: int = 1) -> tuple[Vehicle, ...]:
    return draw_vehicles(car, n, np.random.default_rng(seed))


def test_values_have_the_stated_mean_and_spread() -> None:
    """Mean and relative standard deviation within four standard errors of 2,000 draws."""
    cars = _drawn(exact_but(SALOON, {"yaw_inertia": 0.2}), 2000)
    values = np.array([car.yaw_inertia_kg_m2 for car in cars], dtype=float)

    assert values.mean() == pytest.approx(2300, rel=4 * 0.2 / np.sqrt(2000))
    # Of a lognormal's relative standard deviation s, √((1 + (kurtosis excess)/2) / 2n) at most.
    assert values.std() / values.mean() == pytest.approx(0.2, rel=4 * np.sqrt(1.3 / 4000))
    assert np.log(values).std() == pytest.approx(np.sqrt(np.log(1.04)), rel=4 / np.sqrt(4000))


def test_few_cars_have_the_stated_moments_themselves() -> None:
    """24 cars of 19 keys: the logarithms' mean and variance are the lognormal's, keys uncorrelated.

    Of a mean 1 and relative standard deviation s: ln(1 + s²) and -ln(1 + s²)/2.
    """
    cars = _drawn(replace(typical_car(), spread={**DEFAULT_SPREAD, "mass": 0.0}), 24)
    base = typical_car()
    inertia = np.log([car.pitch_inertia_kg_m2 / base.pitch_inertia_kg_m2 for car in cars])
    damping = np.log([car.front.damping_n_s_m / base.front.damping_n_s_m for car in cars])
    for values, relative in ((inertia, 0.10), (damping, 0.20)):
        variance = np.log(1 + relative**2)
        assert values.mean() == pytest.approx(-variance / 2, rel=1e-9)
        assert values.var() == pytest.approx(variance, rel=1e-9)
    assert np.corrcoef(inertia, damping)[0, 1] == pytest.approx(0, abs=1e-9)


def test_fewer_cars_than_keys_come_in_opposite_pairs() -> None:
    """Their logarithms' mean is the stated one all the same."""
    cars = _drawn(typical_car(), 6)
    base = typical_car()
    values = np.log([car.yaw_inertia_kg_m2 / base.yaw_inertia_kg_m2 for car in cars])
    assert values.mean() == pytest.approx(-np.log(1 + 0.10**2) / 2, rel=1e-9)
    assert len(set(values.round(9))) == 6


def test_axles_move_together_unless_one_is_named() -> None:
    """A key of both axles has one factor; one of an axle alone leaves the other."""
    both = _drawn(exact_but(SALOON, {"damping": 0.2}), 50)
    front = _drawn(exact_but(SALOON, {"front.damping": 0.2}), 50)

    for car in both:
        assert car.front.damping_n_s_m / 1700 == pytest.approx(car.rear.damping_n_s_m / 1800)
    assert len({car.front.damping_n_s_m for car in front}) == 50
    assert {car.rear.damping_n_s_m for car in front} == {1800}


def test_mass_takes_its_share_on_the_front_axle_along() -> None:
    """A heavier car is heavier on both axles; front_axle_mass spreads the share."""
    heavier = _drawn(exact_but(SALOON, {"mass": 0.1}), 50)
    shifted = _drawn(exact_but(SALOON, {"front_axle_mass": 0.05}), 50)

    assert len({car.mass_kg for car in heavier}) == 50
    for car in heavier:
        assert car.front_axle_mass_kg / car.mass_kg == pytest.approx(800 / 1500)
    assert {car.mass_kg for car in shifted} == {1500}
    assert len({car.front_axle_mass_kg for car in shifted}) == 50


def test_every_key_of_the_sheet_moves_something() -> None:
    """Each key that [spread] may hold changes the drawn car, and nothing unknown is offered."""
    car = typical_car()
    assert car.road_load is not None
    lossy = {"idle_power_w": 2000.0, "recuperation": 0.5, "rotating_mass_share": 0.04}
    car = replace(car, road_load=replace(car.road_load, **lossy))

    for key in SPREADABLE:
        (drawn,) = _drawn(exact_but(car, {key: 0.02}), 1)
        assert drawn != exact_but(car, {key: 0.02}), key
    assert set(DEFAULT_SPREAD) <= set(SPREADABLE)


def test_a_car_without_a_spread_has_the_default_one() -> None:
    """And so has each key that a sheet leaves out; whether all are stated is said."""
    assert spread_of(SALOON) == (DEFAULT_SPREAD, False)
    some = spread_of(replace(SALOON, spread={"mass": 0.1, "front.damping": 0.3}))
    assert some == (
        {k: v for k, v in DEFAULT_SPREAD.items() if k != "damping"}
        | {"mass": 0.1, "front.damping": 0.3},
        False,
    )
    every = dict.fromkeys(DEFAULT_SPREAD, 0.01)
    assert spread_of(replace(SALOON, spread=every)) == (every, True)
    first, again = _drawn(SALOON, 3), _drawn(SALOON, 3)
    assert first == again
    assert len({car.front.wheel_rate_n_m for car in first}) == 3


def test_impossible_cars_are_drawn_again() -> None:
    """A body that would fall over, wheels that outweigh their axle, shares beyond 1: none is left.

    Of the spread chosen here plain draws would hold some of each.
    """
    wide = {"cg_height": 0.9, "unsprung_mass": 1.5, "assist": 0.6}
    for car in _drawn(exact_but(SALOON, wide), 300):
        LateralModel.of(car)  # raises for an impossible car
        assert car.steering is not None
        assert car.steering.assist <= 1
    factor = np.random.default_rng(3).lognormal(-np.log(3.25) / 2, np.sqrt(np.log(3.25)), 300)
    assert (2 * 40 * factor).max() > 800


def test_a_spread_that_leaves_no_car_is_refused() -> None:
    """Wheels nearly as heavy as what the axle carries, spread tenfold."""
    car = replace(SALOON, rear=replace(SALOON.rear, unsprung_mass_kg=340), spread={"mass": 1e9})

    with pytest.raises(ImpossibleCarError, match="none is possible; state smaller relative"):
        _drawn(car, 5)


def test_an_impossible_car_is_refused_at_once() -> None:
    """No draw of it is tried."""
    with pytest.raises(ImpossibleCarError, match="unsprung masses of 0 kg"):
        _drawn(replace(SALOON, front=Axle(0.0, 20e3, 1500, 190e3)), 1)
