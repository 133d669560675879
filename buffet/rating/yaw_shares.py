"""Shares of yaw angles on the road, read from a table that somebody wrote."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from buffet.errors import WindError
from buffet.rating.wind import SUM_TOLERANCE, YawShares
from buffet.small_files import small_file
from ingest import SmallRow, SmallTable

Array = NDArray[np.float64]

YAW, SHARE = "yaw_deg", "share"
WANTED = f"columns {YAW} and {SHARE} and a row an angle, the shares of the time summing to 1"
LARGEST_BYTES = 1_000_000  # ten thousand rows and more: another file was named
LARGEST_DEG = 90.0


def read_yaw_shares(path: Path) -> YawShares:
    """Read delimited text with the columns `yaw_deg` and `share`.

    Where no angle lies below 0 they are angles to either side, half of each share to the right and
    half to the left; otherwise they count as they stand, nose right positive.

    Raises
    ------
    WindError
        The file cannot be read or is no such table, with all its faults: what, in which line, and
        what was wanted.
    """
    data, table = _read(path)
    places = _places(path, table.rows[0])
    values: list[list[float]] = []
    faults: list[str] = []
    for row in table.rows[1:]:
        own = [_value(table, row, places[name], name, faults) for name in (YAW, SHARE)]
        values.append(own)
    if not faults:
        faults = _faults(np.array(values).reshape(-1, 2), [row.line for row in table.rows[1:]])
    if faults:
        raise WindError("\n".join([f"{path}: wanted {WANTED}", *(f"  {one}" for one in faults)]))
    yaw_rad, share = np.radians([one[0] for one in values]), np.array([one[1] for one in values])
    sided = bool((yaw_rad < 0).any())
    made = YawShares if sided else YawShares.of_either_side
    return made(yaw_rad, share, path.name, hashlib.sha256(data).hexdigest())


def _read(path: Path) -> tuple[bytes, SmallTable]:
    data, table = small_file(path, LARGEST_BYTES, WANTED, WindError)
    if len(table.rows) < 2:
        raise WindError(f"{path}: holds no shares; wanted {WANTED}")
    return data, table


def _places(path: Path, header: SmallRow) -> dict[str, int]:
    """Where the two columns stand."""
    names = [cell.lower() for cell in header.cells]
    if any(names.count(name) != 1 for name in (YAW, SHARE)):
        raise WindError(
            f"{path}, line {header.line}: the columns are {', '.join(header.cells)}; "
            f"wanted {WANTED}"
        )
    return {name: names.index(name) for name in (YAW, SHARE)}


def _value(table: SmallTable, row: SmallRow, index: int, name: str, faults: list[str]) -> float:
    """A cell's number; NaN with a fault where it cannot be meant."""
    cell = row.cells[index] if index < len(row.cells) else ""
    value = table.number(cell)
    if value is None:
        wanted = "a number"
    elif name == YAW and abs(value) > LARGEST_DEG:
        wanted = f"an angle from {-LARGEST_DEG:g} to {LARGEST_DEG:g}"
    elif name == SHARE and not 0 <= value <= 1:
        wanted = "a share of the time, from 0 to 1"
    else:
        return value
    faults.append(f"line {row.line}: {name} is {cell!r}; wanted {wanted}")
    return float("nan")


def _faults(values: Array, lines: Sequence[int]) -> list[str]:
    """What is wrong of the rows together: `values` holds angle and share of each line."""
    yaw, share = values.T
    first = {float(angle): line for angle, line in zip(yaw[::-1], lines[::-1], strict=True)}
    faults = [
        f"line {line}: {YAW} is {angle:g} as in line {first[float(angle)]}; wanted each angle once"
        for angle, line in zip(yaw, lines, strict=True)
        if first[float(angle)] != line
    ]
    if abs(share.sum() - 1) > SUM_TOLERANCE:
        faults.append(f"the shares sum to {share.sum():.4g}; wanted 1")
    return faults
