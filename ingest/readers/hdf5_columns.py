"""Columns among the datasets of an HDF5 file: names, units, rates, and where samples stand."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.readers.array_source import ArrayColumn, longer_axis
from ingest.readers.clock_names import is_clock
from ingest.readers.hdf5_walk import (
    KEEP_INSIDE,
    Found,
    Refusal,
    attribute,
    is_scalar,
    own_rate_hz,
    printable,
)
from ingest.recording import Orientation

# Channels of one array, and columns of one file: beyond them it is a picture, or damage.
MOST_CHANNELS = 10_000
MOST_COLUMNS = 50_000

_PLAIN = "save the channel as a plain array of integers or floats"


@dataclass(frozen=True)
class Scaling:
    """How stored numbers become the channel's, after the CF conventions.

    `scale_factor` and `add_offset` unpack (section 8.1); `_FillValue` and `missing_value`, stated
    as stored, mark what is missing (section 2.5.1).
    """

    factor: float
    offset: float
    missing: tuple[float, ...]

    def applied(self, stored: NDArray[Any]) -> NDArray[np.float64]:
        """The channel's own numbers, NaN where missing."""
        with np.errstate(all="ignore"):
            values: NDArray[np.float64] = stored.astype(np.float64)
            gone = np.isin(values, self.missing)
            values = values * self.factor + self.offset
        values[gone] = np.nan
        return values


@dataclass(frozen=True)
class Place:
    """Where a column's samples stand."""

    dataset: str
    time_axis: int = 0
    index: int | None = None  # along the other axis, or within a field that holds several
    field: str | None = None  # of a table
    scaling: Scaling | None = None


@dataclass(frozen=True)
class PlacedColumn:
    """A column and its place; no place where it cannot be read."""

    column: ArrayColumn
    parent: str
    place: Place | None


def placed_columns(found: Iterable[Found], orientation: Orientation | None) -> list[PlacedColumn]:
    """All columns; those that cannot be read come last."""
    placed: list[PlacedColumn] = []
    tables: set[str] = set()
    datasets = 0
    for one in found:
        datasets += one.dataset is not None
        placed.extend(_described(one, orientation))
        tables.update(p.place.dataset for p in placed[-1:] if p.place and p.place.field)
        if len(placed) > MOST_COLUMNS:
            raise ValueError(f"more than {MOST_COLUMNS} columns")
    if datasets == 1 and tables:  # the only dataset: its fields need no prefix
        prefix = len(printable(tables.pop())) + 1
        placed = [
            replace(p, column=replace(p.column, name=p.column.name[prefix:])) if p.place else p
            for p in placed
        ]
    return _grouped(sorted(placed, key=lambda p: p.place is None))


def _described(found: Found, orientation: Orientation | None) -> Iterator[PlacedColumn]:
    name = printable(found.path)
    try:
        columns = () if found.refusal else tuple(_columns(found, name, orientation))
        refusal = found.refusal
    # A dataset whose type or attributes the library cannot tell: told where it is wanted.
    except Exception as fault:
        columns, refusal = (), (f"it cannot be read ({fault})", _PLAIN)
    if refusal:
        yield PlacedColumn(ArrayColumn(name, 0, refusal=refusal), found.parent, None)
    yield from columns


def _columns(found: Found, name: str, orientation: Orientation | None) -> Iterator[PlacedColumn]:
    dataset = found.dataset
    if is_scalar(dataset) or attribute(dataset, "MATLAB_empty"):
        return
    refusal = _why_refused(dataset)
    if refusal is not None:
        yield PlacedColumn(ArrayColumn(name, 0, refusal=refusal), found.parent, None)
        return
    unit = attribute(dataset, "unit") or attribute(dataset, "units")
    unit = unit if isinstance(unit, str) else None
    rate_hz = own_rate_hz(dataset) or found.rate_hz

    def placed(label: str, n: int, place: Place) -> PlacedColumn:
        is_time = is_clock(place.field or label.rsplit("/", 1)[-1], unit)
        column = ArrayColumn(label, n, unit, 0, None if is_time else rate_hz, is_time)
        return PlacedColumn(column, found.parent, place)

    if dataset.dtype.names:
        for field, index, suffix in _fields(dataset.dtype):
            place = Place(found.path, index=index, field=field)
            yield placed(f"{name}.{suffix}", dataset.shape[0], place)
        return
    scaling = _scaling(dataset)
    if dataset.ndim == 1:
        yield placed(name, dataset.shape[0], Place(found.path, scaling=scaling))
        return
    # MATLAB's arrays come with their dimensions reversed, since it stores columns first.
    axis = longer_axis(dataset.shape, orientation, int("MATLAB_class" in dataset.attrs))
    n, channels = dataset.shape[axis], dataset.shape[1 - axis]
    for index in range(channels):
        label = name if channels == 1 else f"{name}[{index}]"
        yield placed(label, n, Place(found.path, axis, index, scaling=scaling))


def _fields(table: np.dtype[Any]) -> Iterator[tuple[str, int | None, str]]:
    """Numeric fields of a table: name, index where the field holds several, and label."""
    for field in table.names or ():
        kind, shape = table[field].base.kind, table[field].shape
        if kind not in "biuf":
            continue
        if not shape:
            yield field, None, printable(field)
        elif len(shape) == 1 and shape[0] <= MOST_CHANNELS:
            yield from ((field, i, f"{printable(field)}[{i}]") for i in range(shape[0]))


def _why_refused(dataset: Any) -> Refusal | None:
    if dataset.is_virtual:
        return ("it is a virtual dataset, made of other files", KEEP_INSIDE)
    if dataset.external:
        return (f"its samples stand in another file ({dataset.external[0][0]})", KEEP_INSIDE)
    kind = attribute(dataset, "MATLAB_class")
    if kind in ("char", "cell", "function_handle", "string"):
        return (f"a MATLAB {kind} stands where an array is wanted", _PLAIN)
    dtype = dataset.dtype
    if dtype.kind == "c" or dtype.names in (("real", "imag"), ("r", "i")):
        return ("its numbers are complex", "save real and imaginary part by themselves")
    if dtype.names:
        if dataset.ndim != 1 or not any(_fields(dtype)):
            return ("it is a table without a column of numbers", _PLAIN)
    elif dtype.kind not in "biuf":
        return (f"it holds no numbers ({dtype})", _PLAIN)
    elif dataset.ndim not in (1, 2):
        return (f"it has {dataset.ndim} dimensions ({dataset.shape})", _PLAIN)
    elif dataset.ndim == 2 and min(dataset.shape) > MOST_CHANNELS:
        return (f"{dataset.shape} is the shape of a picture", _PLAIN)
    return None


def _scaling(dataset: Any) -> Scaling | None:
    factor, offset = attribute(dataset, "scale_factor"), attribute(dataset, "add_offset")
    marked: list[float] = []
    for name in ("_FillValue", "missing_value"):
        value = attribute(dataset, name)
        marked += [] if value is None else value if isinstance(value, list) else [value]
    if factor is None and offset is None and not marked:
        return None
    return Scaling(
        1.0 if factor is None else float(factor),
        0.0 if offset is None else float(offset),
        tuple(float(value) for value in marked),
    )


def _grouped(placed: list[PlacedColumn]) -> list[PlacedColumn]:
    """Columns of one group of the file, equally long and equally fast, share their times.

    A clock belongs to the first of its group that are as long as it is; one clock a group.
    """
    numbers: dict[tuple[Any, ...], int] = {}
    of_length: dict[tuple[str, int], int] = {}
    for p in placed:
        if p.place is not None and not p.column.is_time:
            number = numbers.setdefault((p.parent, p.column.n, p.column.rate_hz), len(numbers))
            of_length.setdefault((p.parent, p.column.n), number)
    clocked: set[int] = set()
    grouped = []
    for p in placed:
        column = p.column
        if p.place is None:
            number = numbers.setdefault((p.parent, column.name, "refused"), len(numbers))
        elif not column.is_time:
            number = numbers[p.parent, column.n, column.rate_hz]
        else:
            alone = numbers.setdefault((p.parent, column.n, "clock"), len(numbers))
            number = of_length.get((p.parent, column.n), alone)
            column = replace(column, is_time=number not in clocked)
            clocked.add(number)
        grouped.append(replace(p, column=replace(column, group=number)))
    return grouped
