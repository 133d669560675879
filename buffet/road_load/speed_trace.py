"""A drive as road speed over time, read from a table that somebody wrote."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from buffet.errors import SpeedTraceError
from buffet.small_files import small_file
from buffet.spectral.locking import lock
from ingest import SmallRow, SmallTable

Array = NDArray[np.float64]

TIME = "time_s"
SPEEDS = {"speed_km_h": 1 / 3.6, "speed_m_s": 1.0}  # m/s in the column's unit
WANTED = "columns time_s and speed_km_h (or speed_m_s), times that rise from row to row"
LARGEST_BYTES = 20_000_000  # a million rows and more: another file was named
FASTEST_M_S = 500 / 3.6  # no road car goes faster
# No road car on its tyres gains or loses speed faster (engineering judgement): a wrong unit.
STRONGEST_M_S2 = 20.0
MOST_FAULTS = 5  # told one by one


@dataclass(frozen=True, eq=False)
class Motion:
    """Road speed over time, straight between the points.

    A constant speed is a motion, too: see `at_constant_speed`.
    """

    time_s: Array  # (n,), rising
    speed_m_s: Array  # (n,), not negative

    def __post_init__(self) -> None:
        lock(self)

    @property
    def duration_s(self) -> float:
        """From the first point to the last."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def distance_m(self) -> float:
        """The way that is driven."""
        mean = (self.speed_m_s[1:] + self.speed_m_s[:-1]) / 2
        return float(mean @ np.diff(self.time_s))


@dataclass(frozen=True, eq=False)
class SpeedTrace:
    """A motion as a file gives it."""

    file: str  # its name
    sha256: str  # hex, of the bytes on disk
    motion: Motion


def at_constant_speed(speed_m_s: float) -> Motion:
    """One second of it; energy per distance is that of any time."""
    return Motion(np.array([0.0, 1.0]), np.array([speed_m_s, speed_m_s]))


def read_speed_trace(path: Path) -> SpeedTrace:
    """Read delimited text with the columns `time_s` and `speed_km_h` or `speed_m_s`.

    Further columns are left aside.

    Raises
    ------
    SpeedTraceError
        The file cannot be read or is no such table, with its first faults: what, in which line,
        and what was wanted.
    """
    data, table = small_file(path, LARGEST_BYTES, WANTED, SpeedTraceError)
    if len(table.rows) < 3:
        raise SpeedTraceError(f"{path}: holds no drive; wanted {WANTED}, two rows or more")
    places = _places(path, table.rows[0])
    faults: list[str] = []
    time_s, speed = (_column(table, name, index, faults) for name, index in places.items())
    motion = Motion(time_s, speed * SPEEDS[list(places)[1]])
    if not faults:
        faults = _faults(motion, table.rows[1:])
    if faults:
        told = faults[:MOST_FAULTS]
        if len(faults) > MOST_FAULTS:
            told = [*told, f"and {len(faults) - MOST_FAULTS} more"]
        raise SpeedTraceError("\n".join([f"{path}: wanted {WANTED}", *(f"  {t}" for t in told)]))
    if motion.distance_m <= 0:
        raise SpeedTraceError(f"{path}: the car never moves; wanted a drive")
    return SpeedTrace(path.name, hashlib.sha256(data).hexdigest(), motion)


def _places(path: Path, header: SmallRow) -> dict[str, int]:
    """Where time and speed stand, in this order."""
    names = [cell.lower() for cell in header.cells]
    speeds = [name for name in names if name in SPEEDS]
    if names.count(TIME) != 1 or len(speeds) != 1:
        raise SpeedTraceError(
            f"{path}, line {header.line}: the columns are {', '.join(header.cells)}; "
            f"wanted {WANTED}, each once"
        )
    return {name: names.index(name) for name in (TIME, speeds[0])}


def _column(table: SmallTable, name: str, index: int, faults: list[str]) -> Array:
    """Numbers of a column; NaN with a fault where there is none."""
    values = np.full(len(table.rows) - 1, np.nan)
    for position, row in enumerate(table.rows[1:]):
        cell = row.cells[index] if index < len(row.cells) else ""
        value = table.number(cell)
        if value is None:
            faults.append(f"line {row.line}: {name} is {cell!r}; wanted a number")
        else:
            values[position] = value
    return values


def _faults(motion: Motion, rows: tuple[SmallRow, ...]) -> list[str]:
    """What no drive can be, by line."""
    time_s, speed = motion.time_s, motion.speed_m_s
    faults = []
    for i in np.flatnonzero((speed < 0) | (speed > FASTEST_M_S)):
        faults.append(
            f"line {rows[i].line}: the speed is {3.6 * speed[i]:.4g} km/h; wanted 0 to "
            f"{3.6 * FASTEST_M_S:g} km/h"
        )
    for i in np.flatnonzero(np.diff(time_s) <= 0) + 1:
        faults.append(
            f"line {rows[i].line}: the time is {time_s[i]:g} s after {time_s[i - 1]:g} s; "
            "wanted times that rise"
        )
    if faults:
        return faults
    acceleration = np.diff(speed) / np.diff(time_s)
    for i in np.flatnonzero(np.abs(acceleration) > STRONGEST_M_S2) + 1:
        faults.append(
            f"line {rows[i].line}: the speed changes by {acceleration[i - 1]:+.3g} m/s², more "
            f"than the {STRONGEST_M_S2:g} that a road car can; is the unit of a column another?"
        )
    return faults
