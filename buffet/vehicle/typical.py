"""The car assumed where a campaign states none."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ingest import Vehicle

TYPICAL_CAR_FILE = "small_hatchback.toml"


def typical_car(wheelbase_m: float | None = None) -> Vehicle:
    """Return a typical small hatchback (values from memory), with the wheelbase where given.

    Its name says that it is typical and where the wheelbase is from. Masses, rates and the share
    of the front axle stay, so the centre of gravity moves with the wheelbase.

    Raises
    ------
    ValueError
        If the wheelbase is not positive.
    """
    from ingest import read_vehicle  # pint and pydantic, only where a sheet is read

    with as_file(files("buffet.vehicle") / TYPICAL_CAR_FILE) as path:
        car = read_vehicle(path)
    if wheelbase_m is None:
        return car
    if not wheelbase_m > 0:
        raise ValueError(f"the wheelbase of a car must be above 0 m, got {wheelbase_m:g} m")
    return replace(
        car,
        name=f"{car.name} with a wheelbase of {wheelbase_m:.3g} m",
        wheelbase_m=wheelbase_m,
    )
