"""A measured profile: heights over distance, of one track or of two, read from a table."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from buffet.errors import RoadError
from buffet.small_files import small_file
from buffet.spectral.locking import lock
from ingest import QuantityError, SmallRow, finite_number, parse_quantity

Array = NDArray[np.float64]

DISTANCE, HEIGHT, SIDES = "distance", "height", ("left", "right")
WANTED_HEADER = "'distance (m), height (mm)' or 'distance (m), left (mm), right (mm)'"
LARGEST_BYTES = 50_000_000  # a million rows and more: 100 km at 0.1 m
# What a distance may be off its place on an even grid, in steps: as rounding leaves it, while a
# missing row is off by half a step at least.
UNEVEN_STEPS = 0.25
# Beyond any distance or height of a road in any unit.
LARGEST = 1e9
_WITH_UNIT = re.compile(r"(.*?)\s*[(\[]\s*([^()\[\]]*?)\s*[)\]]")


@dataclass(frozen=True, eq=False)
class Profile:
    """Heights of a road at even steps."""

    file: str  # its name
    sha256: str  # hex, of the bytes on disk
    step_m: float
    heights_m: Array  # (n_tracks, n): of one track, or of left and right

    def __post_init__(self) -> None:
        lock(self)

    @property
    def length_m(self) -> float:
        """From the first height to the last."""
        return float(self.step_m * (self.heights_m.shape[1] - 1))


def read_profile(path: Path) -> Profile:
    """Read delimited text with a header: a distance, and the height of one track or of two.

    Each column states its unit in brackets; others are left aside.

    Raises
    ------
    RoadError
        The file cannot be read, lacks columns, units or numbers, or its distances do not rise by
        even steps: what, in which line, and what was wanted.
    """
    data, table = small_file(path, LARGEST_BYTES, f"a profile, {WANTED_HEADER}", RoadError)
    if len(table.rows) < 3:
        raise RoadError(f"{path}: holds no profile; wanted {WANTED_HEADER} and a row a height")
    header, body = table.rows[0], table.rows[1:]
    columns = {
        name: _column(path, body, index, f"{name!r}", table.decimal_comma) * scale
        for name, (index, scale) in _places(path, header).items()
    }
    distance = columns.pop(DISTANCE)
    step_m = _step_m(path, distance, body)
    heights = np.array(list(columns.values()))
    return Profile(path.name, hashlib.sha256(data).hexdigest(), step_m, heights)


def _places(path: Path, header: SmallRow) -> dict[str, tuple[int, float]]:
    """Where each column that is used stands, and metres in its unit; the distance first."""
    split = [_WITH_UNIT.fullmatch(cell) for cell in header.cells]
    names = [
        (match[1] if match else cell).strip().lower()
        for match, cell in zip(split, header.cells, strict=True)
    ]
    tracks = (HEIGHT,) if HEIGHT in names else SIDES
    wanted = (DISTANCE, *tracks)
    both = HEIGHT in names and any(side in names for side in SIDES)
    if both or any(names.count(name) != 1 for name in wanted):
        raise RoadError(
            f"{path}, line {header.line}: the columns are {', '.join(header.cells)}; "
            f"wanted {WANTED_HEADER}"
        )
    result = {}
    for name in wanted:
        index = names.index(name)
        match = split[index]
        result[name] = (index, _metres(path, header, name, match[2] if match else ""))
    return result


def _metres(path: Path, header: SmallRow, name: str, unit: str) -> float:
    try:
        return float(parse_quantity(f"1 {unit}", "length"))
    except QuantityError as error:
        given = f"the unit {unit!r}" if unit else "no unit"
        raise RoadError(
            f"{path}, line {header.line}: {name!r} has {given}; wanted a length in brackets, "
            f"such as '{name} (mm)'"
        ) from error


def _column(
    path: Path, rows: tuple[SmallRow, ...], index: int, name: str, decimal_comma: bool
) -> Array:
    values = np.empty(len(rows))
    for position, row in enumerate(rows):
        cell = row.cells[index] if index < len(row.cells) else ""
        value = finite_number(cell, decimal_comma=decimal_comma)
        if value is None or abs(value) > LARGEST:
            raise RoadError(
                f"{path}, line {row.line}: {name} is {cell!r}; wanted a number: "
                "fill the gap, or use the part of the profile before or after it"
            )
        values[position] = value
    return values


def _step_m(path: Path, distance_m: Array, rows: tuple[SmallRow, ...]) -> float:
    """The even step between distances.

    Raises RoadError where there is none.
    """
    steps = np.diff(distance_m)
    if (falling := np.flatnonzero(steps <= 0)).size:
        line = rows[falling[0] + 1].line
        raise RoadError(
            f"{path}, line {line}: the distance is {distance_m[falling[0] + 1]:g} m after "
            f"{distance_m[falling[0]]:g} m; wanted distances that rise from row to row"
        )
    usual = float(np.median(steps))
    step = (distance_m[-1] - distance_m[0]) / max(round(float(steps.sum()) / usual), 1)
    even = distance_m[0] + step * np.arange(len(distance_m))
    off = np.flatnonzero(np.abs(distance_m - even) > UNEVEN_STEPS * step)
    if off.size:
        raise RoadError(
            f"{path}, line {rows[off[0]].line}: the distance is {distance_m[off[0]]:g} m where "
            f"even steps of {step:.4g} m lead to {even[off[0]]:g} m; wanted even steps: "
            "is a row missing? Otherwise interpolate the profile first"
        )
    return float(step)
