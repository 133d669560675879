"""Typical cars that come with the package: assumed where a campaign states none, or by name."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING

from buffet.errors import BuffetError

if TYPE_CHECKING:
    from ingest import Vehicle

# Names and their files; the first is assumed where nothing is said.
_FILES = {
    "small hatchback": "small_hatchback.toml",
    "saloon": "saloon.toml",
    "van": "van.toml",
}
TYPICAL_CARS = tuple(_FILES)


class UnknownCarError(BuffetError):
    """A car that is neither a typical one nor a file."""

    def __init__(self, given: str) -> None:
        self.given = given
        super().__init__(
            f"no typical car is called {given!r}, and there is no such file: choose "
            f"{', '.join(TYPICAL_CARS)}, or name a vehicle.toml"
        )


def typical_car(wheelbase_m: float | None = None, name: str = TYPICAL_CARS[0]) -> Vehicle:
    """Return a typical car by name (values from memory), with the wheelbase where given.

    Its own name says that it is typical and where the wheelbase is from. Masses, rates and the
    share of the front axle stay, so the centre of gravity moves with the wheelbase. Hyphens and
    underscores of a name count as spaces.

    Raises
    ------
    UnknownCarError
        If there is no such car.
    ValueError
        If the wheelbase is not positive.
    """
    from ingest import read_vehicle  # pint and pydantic, only where a sheet is read

    file = _FILES.get(_plain(name))
    if file is None:
        raise UnknownCarError(name)
    with as_file(files("buffet.vehicle") / file) as path:
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


def named_car(given: str, wheelbase_m: float | None = None) -> Vehicle:
    """Return a typical car by its name, with the wheelbase where given, or a sheet's own.

    A file keeps its wheelbase; a name that is both stands for the typical car.

    Raises
    ------
    UnknownCarError
        If it is neither a typical car nor a file.
    SheetError
        If the file has faults.
    """
    from ingest import read_vehicle

    if is_typical(given):
        return typical_car(wheelbase_m, given)
    if not Path(given).is_file():
        raise UnknownCarError(given)
    return read_vehicle(given)


def is_typical(given: str) -> bool:
    """Whether a name is that of a typical car."""
    return _plain(given) in _FILES


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("_", " ").replace("-", " ").split())
