"""The car assumed where a campaign states none."""

import pytest

from buffet.vehicle import RideModel, typical_car


def test_typical_car_is_read_from_the_package() -> None:
    """The typical car is a small hatchback that says where its values are from."""
    car = typical_car()

    assert car.name == "typical small hatchback"
    assert car.source == "typical, from memory"
    assert (car.mass_kg, car.wheelbase_m, car.front.wheel_rate_n_m) == (1150, 2.58, 20e3)
    assert car.seat_at_m == (-0.1, -0.35, 0.6)
    assert len(RideModel.from_vehicle(car).modes) == 4


def test_wheelbase_of_the_model_replaces_the_typical_one() -> None:
    """A stated wheelbase is taken over and named, and nothing else changes."""
    car = typical_car(2.43)

    assert car.wheelbase_m == 2.43
    assert car.name == "typical small hatchback with a wheelbase of 2.43 m"
    assert (car.mass_kg, car.front) == (typical_car().mass_kg, typical_car().front)


def test_wheelbase_must_be_positive() -> None:
    """A wheelbase of zero is refused with its value."""
    with pytest.raises(ValueError, match="must be above 0 m, got 0 m"):
        typical_car(0.0)
