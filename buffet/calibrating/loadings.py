"""A loading table: known loads and what the bridges read under them, one row a loading."""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from buffet.errors import CalibrationError
from ingest import (
    FORCES,
    MOMENTS,
    QuantityError,
    SmallRow,
    bridge_scale,
    finite_number,
    load_scale,
    small_table,
)

Array = NDArray[np.float64]

SERIES = "series"
# Beyond any load or reading in any unit; the squares of third powers of it are still numbers.
LARGEST = 1e30
_WITH_UNIT = re.compile(r"(.*?)\s*[(\[]\s*([^()\[\]]*?)\s*[)\]]\s*")


@dataclass(frozen=True)
class LoadingTable:
    """Loads and bridge readings as the file states them, in its own units."""

    path: Path
    sha256: str  # hex, of the bytes on disk
    loads: tuple[str, ...]  # `measures` words
    load_units: tuple[str, ...]
    load_scales: Array  # (n_loads,), N or N m in one unit
    bridges: tuple[str, ...]
    bridge_unit: str
    bridge_scale: float  # SI units in one unit
    load_values: Array  # (n, n_loads)
    bridge_values: Array  # (n, n_bridges)
    series: NDArray[np.intp]  # (n,), number of each row's series, from 0 on
    series_names: tuple[str, ...]
    lines: tuple[int, ...]  # of the file, where each loading stands
    ignored: tuple[str, ...]  # columns without numbers

    @property
    def full_scale(self) -> Array:
        """Largest load applied, ``(n_loads,)``, in the table's units."""
        return np.asarray(np.abs(self.load_values).max(axis=0))


@dataclass(frozen=True)
class _Sheet:
    """The file's cells, names and units apart."""

    path: Path
    names: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[SmallRow, ...]
    decimal_comma: bool

    def numbers(self, name: str) -> Array:
        """A column whose cells must all be numbers."""
        index = self.names.index(name)
        values = [self.number(row.cells[index]) for row in self.rows]
        for row, value in zip(self.rows, values, strict=True):
            if value is None:
                raise CalibrationError(
                    f"{self.path}, line {row.line}, column {name}: got {row.cells[index]!r}; "
                    f"wanted a number up to {LARGEST:g}: complete the row, or remove it"
                )
        return np.array(values, float)

    def number(self, cell: str) -> float | None:
        """A cell's number, or None."""
        value = finite_number(cell, decimal_comma=self.decimal_comma)
        return None if value is None or abs(value) > LARGEST else value

    def has_numbers(self, name: str) -> bool:
        """Whether a column holds any."""
        index = self.names.index(name)
        return any(self.number(row.cells[index]) is not None for row in self.rows)


def read_loadings(path: Path, bridges: Sequence[str] | None = None) -> LoadingTable:
    """Read a loading table.

    Columns named like a load (`measures` words) are loads, `series` tells rows with zeros of their
    own apart, and `bridges`, or without them all other columns with numbers, are bridges.

    Raises
    ------
    CalibrationError
        The file cannot be read, or lacks names, units or numbers.
    """
    try:
        data = path.read_bytes()
        sheet = _sheet(path, data.decode("utf-8-sig"))
    except OSError as error:
        raise CalibrationError(f"{path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, csv.Error) as error:
        problem = f"{path}: is no delimited text in UTF-8; save the table as CSV (UTF-8)"
        raise CalibrationError(problem) from error
    loads = tuple(name for name in sheet.names if name in (*FORCES, *MOMENTS))
    if not loads:
        raise CalibrationError(
            f"{path}: no column is named like a load; wanted names such as 'lift (N)' among "
            f"{', '.join((*FORCES, *MOMENTS))}; the columns are {', '.join(sheet.names)}"
        )
    others = [name for name in sheet.names if name not in (*loads, SERIES)]
    found = _chosen(sheet, others, bridges)
    units = dict(zip(sheet.names, sheet.units, strict=True))
    bridge_unit, scale = _bridge_unit(path, {name: units[name] for name in found})
    names, series = _series(sheet)
    return LoadingTable(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        loads=loads,
        load_units=tuple(units[load] for load in loads),
        load_scales=np.array([_load_scale(path, load, units[load]) for load in loads]),
        bridges=tuple(found),
        bridge_unit=bridge_unit,
        bridge_scale=scale,
        load_values=np.column_stack([sheet.numbers(load) for load in loads]),
        bridge_values=np.column_stack([sheet.numbers(name) for name in found]),
        series=series,
        series_names=names,
        lines=tuple(row.line for row in sheet.rows),
        ignored=tuple(name for name in others if name not in found),
    )


def _sheet(path: Path, text: str) -> _Sheet:
    table = small_table(text)
    if len(table.rows) < 2:
        raise CalibrationError(f"{path}: holds no loadings; wanted a header and one row a loading")
    header, body = table.rows[0], table.rows[1:]
    for row in body:
        if len(row.cells) != len(header.cells):
            raise CalibrationError(
                f"{path}, line {row.line}: has {len(row.cells)} cells, "
                f"the header {len(header.cells)}"
            )
    split = [_WITH_UNIT.fullmatch(cell) for cell in header.cells]
    names = [
        _known(match[1] if match else cell) for match, cell in zip(split, header.cells, strict=True)
    ]
    repeated = {name for name in names if names.count(name) > 1}
    if repeated or not all(names):
        problem = (
            f"names {', '.join(sorted(repeated))} twice" if repeated else "has a nameless column"
        )
        raise CalibrationError(f"{path}, line {header.line}: the header {problem}; wanted one each")
    units = [match[2] if match else "" for match in split]
    sheet = _Sheet(path, tuple(names), tuple(units), body, table.decimal_comma)
    return _with_units_row(sheet)


def _known(name: str) -> str:
    """A load's name however it is written, or the name itself."""
    word = name.strip().lower().replace("_", " ")
    return word if word in (*FORCES, *MOMENTS, SERIES) else name.strip()


def _with_units_row(sheet: _Sheet) -> _Sheet:
    """Take the units from a second row without numbers, where the header has none."""
    first = sheet.rows[0]
    if any(sheet.units) or any(sheet.number(cell) is not None for cell in first.cells):
        return sheet
    units = tuple(cell.strip("()[]") for cell in first.cells)
    if len(sheet.rows) == 1:
        raise CalibrationError(f"{sheet.path}: holds no loadings below its units")
    return _Sheet(sheet.path, sheet.names, units, sheet.rows[1:], sheet.decimal_comma)


def _chosen(sheet: _Sheet, others: Sequence[str], bridges: Sequence[str] | None) -> list[str]:
    """Names of the bridges' columns, in the table's order or as asked for."""
    found = [name for name in others if sheet.has_numbers(name)]
    if bridges is None:
        if not found:
            raise CalibrationError(f"{sheet.path}: no column with numbers is left for the bridges")
        return found
    for name in bridges:
        if name not in others:
            raise CalibrationError(
                f"{sheet.path}: there is no bridge {name!r}; the columns are {', '.join(others)}"
            )
    if len(set(bridges)) != len(bridges):
        raise CalibrationError(f"--bridges names one twice: {', '.join(bridges)}")
    return list(bridges)


def _load_scale(path: Path, load: str, unit: str) -> float:
    """N or N m in one unit."""
    dimension, example = ("moment", "N m") if load in MOMENTS else ("force", "N")
    if unit:
        with suppress(QuantityError):
            return load_scale(load, unit)
    given = f"{unit!r} is no unit of a {dimension}" if unit else "has no unit"
    raise CalibrationError(f"{path}, column {load}: {given}; write '{load} ({example})'")


def _bridge_unit(path: Path, units: dict[str, str]) -> tuple[str, float]:
    """The one unit of all bridges, and SI units in one of it."""
    different = dict.fromkeys(units.values())
    if len(different) > 1:
        told = ", ".join(f"{name} in {unit or 'none'}" for name, unit in units.items())
        known = ", ".join((*FORCES, *MOMENTS))
        raise CalibrationError(
            f"{path}: all bridges must have one unit, got {told}; columns that are no bridges go "
            f"where --bridges names those that are, and loads are called {known}"
        )
    (unit,) = different
    if not unit:
        name = next(iter(units))
        raise CalibrationError(f"{path}, column {name}: has no unit; write '{name} (mV/V)'")
    try:
        return unit, bridge_scale(unit)[0]
    except QuantityError as error:
        raise CalibrationError(f"{path}: {unit!r} is no unit of a bridge's reading") from error


def _series(sheet: _Sheet) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Names in the order they come, and each row's number among them."""
    if SERIES not in sheet.names:
        return ("all",), np.zeros(len(sheet.rows), np.intp)
    index = sheet.names.index(SERIES)
    labels = [row.cells[index] for row in sheet.rows]
    names = tuple(dict.fromkeys(labels))
    for name in names:
        if labels.count(name) == 1:
            line = sheet.rows[labels.index(name)].line
            raise CalibrationError(
                f"{sheet.path}, line {line}: series {name!r} has this loading alone, which its "
                "zero takes whole; join it with another series, or remove it"
            )
    return names, np.array([names.index(label) for label in labels], np.intp)
