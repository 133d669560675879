"""A balance file as a balance: validated as a whole, in SI."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ingest.balance import Array, Balance, Term
from ingest.balance_models import BalanceSheet, Range
from ingest.calibration import CalibrationFault, straight_line
from ingest.channel import MOMENTS
from ingest.errors import QuantityError, SheetError, SheetFault
from ingest.reference_point import missing_forces, transfer_matrix
from ingest.sheet_faults import nearest, read_toml, validate
from ingest.units import SI_UNITS, Dimension, affine_to_si, parse_quantity, parse_unit

# Of the matrix with rows and columns brought to one size. Readings of six digits leave no digit of
# a load beyond it (engineering judgement).
LARGEST_CONDITION = 1e6


def read_balance(path: str | Path) -> Balance:
    """Read a balance file by itself.

    Raises SheetError with every fault of the file.
    """
    path = Path(path)
    balance, faults = balance_from_file(path, path.name)
    if balance is None:
        raise SheetError(path.parent, faults)
    return balance


def balance_from_file(path: Path, shown: str) -> tuple[Balance | None, list[SheetFault]]:
    """The balance a file states, or every fault it has."""
    table = read_toml(path, shown)
    if isinstance(table, SheetFault):
        return None, [table]
    return balance_from_table(table, shown, hashlib.sha256(path.read_bytes()).hexdigest())


def balance_from_table(
    table: dict[str, Any], shown: str, sha256: str
) -> tuple[Balance | None, list[SheetFault]]:
    """The balance a table states, or every fault it has."""
    sheet, faults = validate(BalanceSheet, table, shown)
    if sheet is None:
        return None, faults
    faults = [SheetFault(shown, key, problem) for key, problem in _faults(sheet)]
    return (None, faults) if faults else (_balance(sheet, shown, sha256), [])


def _faults(sheet: BalanceSheet) -> Iterator[tuple[str, str]]:
    """Key and problem of everything that does not fit together."""
    table = sheet.balance
    yield from _repeated("balance.bridges", table.bridges)
    yield from _repeated("balance.loads", table.loads)
    yield from _unit_faults(sheet)
    shape = list(_shape_faults(sheet))
    yield from shape or _singular(sheet)
    yield from _term_faults(sheet)
    yield from _range_faults(sheet)
    for key, stated in (("uncertainty", sheet.uncertainty), ("resonance", sheet.resonance)):
        for load in stated:
            if load not in table.loads:
                yield f"{key}.{load}", f"is no load of this balance{nearest(load, table.loads)}"
    yield from _transfer_faults(sheet)


def _repeated(key: str, names: Sequence[str]) -> Iterator[tuple[str, str]]:
    for name in dict.fromkeys(names):
        if names.count(name) > 1:
            yield key, f"{name!r} stands there {names.count(name)} times; wanted once"


def _dimension(load: str) -> Dimension:
    return "moment" if load in MOMENTS else "force"


def _unit_faults(sheet: BalanceSheet) -> Iterator[tuple[str, str]]:
    table = sheet.balance
    try:
        bridge_scale(table.bridge_unit)
    except QuantityError as error:
        yield "balance.bridge_unit", str(error)
    for i, (load, unit) in enumerate(zip(table.loads, table.load_units, strict=True)):
        try:
            load_scale(load, unit)
        except QuantityError:
            wanted = SI_UNITS[_dimension(load)].unit
            yield (
                f"balance.load_units[{i}]",
                f"got {unit!r}; wanted a unit of {load} such as {wanted}",
            )


def bridge_scale(unit: str) -> tuple[float, str]:
    """SI units in one unit of a bridge's reading, and that SI unit.

    Raises QuantityError where the text is no unit.
    """
    try:
        line = straight_line("bridge", unit)
    except CalibrationFault as error:
        raise QuantityError(unit, "a unit of a bridge's reading such as 'mV/V'") from error
    return line.scale, line.unit


def load_scale(load: str, unit: str) -> float:
    """N or N m in one unit of a load.

    Raises QuantityError where the text is no unit of it.
    """
    return affine_to_si(parse_unit(unit), SI_UNITS[_dimension(load)].unit)[0]


def _names(sheet: BalanceSheet) -> tuple[list[str], list[str]]:
    """Outputs and inputs of the matrix."""
    bridges, loads = sheet.balance.bridges, sheet.balance.loads
    return (bridges, loads) if sheet.balance.form == "iterative" else (loads, bridges)


def _shape_faults(sheet: BalanceSheet) -> Iterator[tuple[str, str]]:
    outputs, inputs = _names(sheet)
    rows = sheet.balance.matrix
    of_outputs, of_inputs = (
        ("bridge", "load") if outputs is sheet.balance.bridges else ("load", "bridge")
    )
    if len(rows) != len(outputs):
        yield (
            "balance.matrix",
            f"wanted {len(outputs)} rows, one a {of_outputs} in the {sheet.balance.form} form, "
            f"got {len(rows)}",
        )
    for i, row in enumerate(rows):
        if len(row) != len(inputs):
            yield (
                f"balance.matrix[{i}]",
                f"wanted {len(inputs)} numbers, one a {of_inputs}, got {len(row)}",
            )


def _singular(sheet: BalanceSheet) -> Iterator[tuple[str, str]]:
    matrix = np.array(sheet.balance.matrix)
    outputs, _ = _names(sheet)
    empty = [name for name, row in zip(outputs, matrix, strict=True) if not row.any()]
    if empty:
        yield "balance.matrix", f"the row of {', '.join(empty)} holds zeros alone"
    elif (
        sheet.balance.form == "iterative"
        and not (number := matrix_condition(matrix)) < LARGEST_CONDITION
    ):
        yield (
            "balance.matrix",
            f"is singular: its condition number is {number:.2g}, so the bridges do not tell the "
            "loads apart",
        )


def matrix_condition(matrix: Array) -> float:
    """Condition number once columns and rows are brought to one size, whatever their units."""
    largest = np.abs(matrix).max(axis=0)
    if not largest.all():
        return float("inf")
    scaled = matrix / largest
    return float(np.linalg.cond(scaled / np.abs(scaled).max(axis=1, keepdims=True)))


def _term_faults(sheet: BalanceSheet) -> Iterator[tuple[str, str]]:
    outputs, inputs = _names(sheet)
    seen: dict[object, int] = {}
    for i, term in enumerate(sheet.term):
        if term.output not in outputs:
            problem = f"{term.output!r} is no output of the {sheet.balance.form} form"
            yield f"term[{i}].output", problem + nearest(term.output, outputs)
        for k, name in enumerate(term.inputs):
            if name not in inputs:
                problem = f"{name!r} is no input of the {sheet.balance.form} form"
                yield f"term[{i}].inputs[{k}]", problem + nearest(name, inputs)
        same = (term.output, *_canonical(term.kind, term.inputs))
        if seen.setdefault(same, i) != i:
            yield f"term[{i}]", f"is the same term as term[{seen[same]}]; wanted each once"


def _canonical(kind: str, inputs: Sequence[str]) -> tuple[str, tuple[str, ...]]:
    """One way to write a term: FG is GF, and |F|G is G|F|."""
    if kind in ("FG", "|FG|"):
        return kind, tuple(sorted(inputs))
    return ("F|G|", tuple(reversed(inputs))) if kind == "|F|G" else (kind, tuple(inputs))


def _range_faults(sheet: BalanceSheet) -> Iterator[tuple[str, str]]:
    loads = sheet.balance.loads
    for load, ends in sheet.envelope.items():
        key = f"envelope.{load}"
        if load not in loads:
            yield key, f"is no load of this balance{nearest(load, loads)}"
            continue
        try:
            low, high = _ends(load, ends)
        except QuantityError as error:
            yield key, str(error)
            continue
        if low >= high:
            yield key, f"must go from low to high, got {ends[0]!r} to {ends[1]!r}"
    for load, given in sheet.uncertainty.items():
        if load not in loads:
            continue
        try:
            value = parse_quantity(given, _dimension(load))
        except QuantityError as error:
            yield f"uncertainty.{load}", str(error)
            continue
        if value <= 0.0:
            yield f"uncertainty.{load}", f"must be above zero, got {given!r}"


def _ends(load: str, ends: Range) -> tuple[float, float]:
    low, high = (parse_quantity(end, _dimension(load)) for end in ends)
    return low, high


def _transfer_faults(sheet: BalanceSheet) -> Iterator[tuple[str, str]]:
    point = sheet.balance.reference_point
    for load, needs in missing_forces(sheet.balance.loads, point).items():
        yield (
            "balance.reference_point",
            f"{load} cannot be carried from there to the vehicle's origin: {needs}; state the "
            "loads about the origin and reference_point = [0, 0, 0]",
        )


def _balance(sheet: BalanceSheet, shown: str, sha256: str) -> Balance:
    table = sheet.balance
    of_bridges, bridge_unit = bridge_scale(table.bridge_unit)
    scales = dict.fromkeys(table.bridges, of_bridges) | {
        load: load_scale(load, unit)
        for load, unit in zip(table.loads, table.load_units, strict=True)
    }
    outputs, inputs = _names(sheet)
    terms, coefficients = _terms(sheet, scales)
    size = np.array([[scales[o] / scales[i] for i in inputs] for o in outputs])
    transfer = transfer_matrix(table.loads, table.reference_point)
    resonances = [sheet.resonance.get(load) for load in table.loads]
    return Balance(
        source=shown,
        sha256=sha256,
        form=table.form,
        bridges=tuple(table.bridges),
        bridge_unit=bridge_unit,
        loads=tuple(table.loads),
        matrix=_locked(np.array(table.matrix) * size),
        terms=terms,
        coefficients=_locked(coefficients),
        residual=table.residual,
        envelope=_locked(_envelope(sheet)),
        transfer=_locked(transfer),
        standard_uncertainty=_uncertainties(sheet, transfer),
        natural_frequency_hz=tuple(r.natural_frequency if r else None for r in resonances),
        damping=tuple(r.damping if r else None for r in resonances),
    )


def _locked(array: Array) -> Array:
    array.setflags(write=False)
    return array


def _terms(sheet: BalanceSheet, scales: dict[str, float]) -> tuple[tuple[Term, ...], Array]:
    """Each distinct term once, and its coefficient for every output, ``(n_outputs, n_terms)``."""
    outputs, inputs = _names(sheet)
    shapes = [Term(term.kind, tuple(map(inputs.index, term.inputs))) for term in sheet.term]
    distinct = tuple(dict.fromkeys(shapes))
    coefficients = np.zeros((len(outputs), len(distinct)))
    for shape, term in zip(shapes, sheet.term, strict=True):
        per_unit = Term(term.kind, (0, 1)[: len(term.inputs)]).of(
            np.array([scales[name] for name in term.inputs])
        )
        coefficients[outputs.index(term.output), distinct.index(shape)] = (
            term.coefficient * scales[term.output] / per_unit
        )
    return distinct, coefficients


def _envelope(sheet: BalanceSheet) -> Array:
    ranges = [sheet.envelope.get(load) for load in sheet.balance.loads]
    return np.array(
        [
            (np.nan, np.nan) if ends is None else _ends(load, ends)
            for load, ends in zip(sheet.balance.loads, ranges, strict=True)
        ]
    )


def _uncertainties(sheet: BalanceSheet, transfer: Array) -> tuple[float | None, ...]:
    """About the vehicle's origin; loads are taken as independent, as nothing else is stated."""
    stated = np.array(
        [
            parse_quantity(sheet.uncertainty[load], _dimension(load))
            if load in sheet.uncertainty
            else np.nan
            for load in sheet.balance.loads
        ]
    )
    moved = [math.hypot(*(row * stated)[row != 0.0].tolist()) for row in transfer]
    # nan where one of the loads states none
    return tuple(None if math.isnan(value) else value for value in moved)
