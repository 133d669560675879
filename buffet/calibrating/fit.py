"""The fit of a balance to a loading table, and how well the balance gives the loads back."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.calibrating.balance_file import balance_text
from buffet.calibrating.equations import (
    LEAST_REACH,
    TERM_SETS,
    TermSet,
    design_of,
    reach_of,
    terms_of,
)
from buffet.calibrating.least_squares import (
    LARGEST_INFLATION,
    LeastSquares,
    least_squares,
    told_apart,
)
from buffet.calibrating.loadings import LoadingTable
from buffet.errors import CalibrationError
from ingest import (
    Balance,
    Form,
    Influence,
    NotSettledError,
    Term,
    balance_from_table,
    influences,
    matrix_condition,
    written_term,
)

Array = NDArray[np.float64]

ORIGIN = ("0 m", "0 m", "0 m")
# A set is chosen without being asked for where at least this many loadings stand behind each of
# its terms: fewer leave the scatter poorly known (engineering judgement).
LOADINGS_PER_TERM = 2
# Where the direct form's zeros rest, of the largest reading; rounding is a thousandth of it.
_ZERO_RESTS = 1e-12
_MOST_ROUNDS = 50


@dataclass(frozen=True)
class CalibrationSettings:
    """What the user may choose."""

    form: Form = "iterative"
    terms: TermSet | None = None  # None: the largest up to products that the loadings carry
    reference_point: tuple[str, ...] = ORIGIN


@dataclass(frozen=True)
class LeftOut:
    """A term that the loadings do not determine."""

    term: str
    why: str


@dataclass(frozen=True)
class Calibration:
    """A balance fitted to a loading table; loads and readings in the table's units."""

    table: LoadingTable
    settings: CalibrationSettings
    term_set: TermSet
    terms: tuple[Term, ...]  # those fitted, linear ones first
    fit: LeastSquares  # outputs: bridges in the iterative form, loads in the direct one
    left_out: tuple[LeftOut, ...]
    zeros: Array  # (n_series, n_bridges)
    load_residuals: Array  # (n, n_loads), of the balance in use, from the table's readings
    deletion_residuals: Array  # (n, n_loads), each loading from a fit without it; may be nan
    balance: Balance
    text: str  # the balance file
    influences: tuple[Influence, ...]  # at full scale, largest first
    condition: float  # of the matrix

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of what is fitted."""
        return self.table.bridges if self.settings.form == "iterative" else self.table.loads

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of what it is fitted by."""
        return self.table.loads if self.settings.form == "iterative" else self.table.bridges

    @property
    def term_names(self) -> tuple[str, ...]:
        """As one writes them."""
        return tuple(_written(term, self.inputs) for term in self.terms)

    @property
    def load_deviation(self) -> Array:
        """Standard deviation of the loads given back, ``(n_loads,)``; freedom of the fit."""
        return _deviation(self.load_residuals, self.fit.freedom)

    @property
    def deletion_deviation(self) -> Array:
        """Root mean square of the deletion residuals, ``(n_loads,)``."""
        known = self.deletion_residuals[np.isfinite(self.deletion_residuals).all(axis=1)]
        return _deviation(known, max(len(known), 1))


def _deviation(residuals: Array, freedom: int) -> Array:
    return np.asarray(np.sqrt((residuals**2).sum(axis=0) / freedom))


def calibrate(table: LoadingTable, settings: CalibrationSettings | None = None) -> Calibration:
    """Fit a balance to a loading table.

    Raises
    ------
    CalibrationError
        The loadings are too few, do not tell the loads apart, or give a balance that cannot be
        used.
    """
    settings = settings or CalibrationSettings()
    if settings.form == "iterative" and len(table.bridges) != len(table.loads):
        raise CalibrationError(
            f"{table.path}: the iterative form needs as many bridges as loads, got bridges "
            f"{', '.join(table.bridges)} and loads {', '.join(table.loads)}; name the bridges with "
            "--bridges, or use --form direct"
        )
    term_set, terms, left_out, fit, zeros = _fit(table, settings)
    draft = balance_text(
        table, settings.form, terms, fit.coefficients, settings.reference_point, {}
    )
    readings = table.bridge_values - zeros[table.series]
    residuals = _given_back(table, _balance(table, draft), readings)
    deviation = _deviation(residuals, fit.freedom)
    uncertainty = {
        load: float(value) for load, value in zip(table.loads, deviation, strict=True) if value > 0
    }
    text = balance_text(
        table, settings.form, terms, fit.coefficients, settings.reference_point, uncertainty
    )
    balance = _balance(table, text)
    return Calibration(
        table=table,
        settings=settings,
        term_set=term_set,
        terms=terms,
        fit=fit,
        left_out=left_out,
        zeros=zeros,
        load_residuals=residuals,
        deletion_residuals=_deletion(fit, balance, table),
        balance=balance,
        text=text,
        influences=influences(balance),
        condition=matrix_condition(balance.matrix),
    )


def _fit(
    table: LoadingTable, settings: CalibrationSettings
) -> tuple[TermSet, tuple[Term, ...], tuple[LeftOut, ...], LeastSquares, Array]:
    """Term set, terms, those left out, their fit and the bridges' zeros by series."""
    of_bridges = _chosen(table, table.load_values, table.loads, settings.terms)
    term_set, terms, left_out = of_bridges
    by_loads = _solved(table, terms, table.load_values, table.bridge_values)
    zeros = by_loads.zeros
    if settings.form == "iterative":
        return term_set, terms, left_out, by_loads, zeros
    for _ in range(_MOST_ROUNDS):
        readings = table.bridge_values - zeros[table.series]
        term_set, terms, left_out = _chosen(table, readings, table.bridges, settings.terms)
        fit = _solved(table, terms, readings, table.load_values)
        # Loads at no reading, as readings: what the zeros were wrong by.
        linear = [i for i, term in enumerate(terms) if term.kind == "F"]
        shift = fit.zeros @ np.linalg.pinv(fit.coefficients[linear])
        zeros = zeros - shift
        if np.abs(shift).max() <= _ZERO_RESTS * np.abs(readings).max():
            break
    return term_set, terms, left_out, fit, zeros


def _chosen(
    table: LoadingTable, inputs: Array, names: Sequence[str], wanted: TermSet | None
) -> tuple[TermSet, tuple[Term, ...], tuple[LeftOut, ...]]:
    """The terms of a set that the loadings determine, and those they do not."""
    trial = [wanted] if wanted else ["products", "squares", "linear"]
    for term_set in TERM_SETS[::-1]:
        if term_set not in trial:
            continue
        terms, left_out = _determined(table, inputs, names, term_set)
        spare = len(inputs) - len(table.series_names) - LOADINGS_PER_TERM * len(terms)
        if wanted or term_set == "linear" or spare >= 0:
            break
    return term_set, terms, left_out


def _determined(
    table: LoadingTable, inputs: Array, names: Sequence[str], term_set: TermSet
) -> tuple[tuple[Term, ...], tuple[LeftOut, ...]]:
    every = terms_of(len(names), term_set)
    reach = reach_of(every, inputs)
    reached = [i for i, share in enumerate(reach) if share >= LEAST_REACH]
    terms = tuple(every[i] for i in reached)
    kept = told_apart(design_of(terms, inputs), table.series, LARGEST_INFLATION) if terms else ()
    determined = {reached[i] for i in kept}
    left_out = []
    for i, term in enumerate(every):
        if i in determined:
            continue
        why = (
            f"the loadings reach {100 * reach[i]:.2g} % of its full-scale value"
            if reach[i] < LEAST_REACH
            else "the loadings do not tell it from the terms before it"
        )
        left_out.append(LeftOut(_written(term, names), why))
    lost = [one for one in left_out if one.term in names]
    if lost:
        told = "; ".join(f"{one.term}: {one.why}" for one in lost)
        raise CalibrationError(
            f"{table.path}: the loadings do not determine the linear part: {told}. Vary each load "
            "by itself, or take its column out"
        )
    return tuple(every[i] for i in sorted(determined)), tuple(left_out)


def _solved(
    table: LoadingTable, terms: tuple[Term, ...], inputs: Array, outputs: Array
) -> LeastSquares:
    n, wanted = len(inputs), len(terms) + len(table.series_names)
    if n <= wanted:
        raise CalibrationError(
            f"{table.path}: {n} loadings are too few for {len(terms)} terms and "
            f"{len(table.series_names)} zeros; wanted at least {wanted + 1}, better "
            f"{LOADINGS_PER_TERM * len(terms) + len(table.series_names)}, or fewer --terms"
        )
    return least_squares(design_of(terms, inputs), outputs, table.series)


def _balance(table: LoadingTable, text: str) -> Balance:
    """The balance as it is used, read from the file's own text."""
    balance, faults = balance_from_table(tomllib.loads(text), "the fitted balance", "")
    if balance is None:
        told = "; ".join(f"{fault.key} {fault.problem}" for fault in faults)
        raise CalibrationError(f"{table.path}: no usable balance comes of these loadings: {told}")
    return balance


def _given_back(table: LoadingTable, balance: Balance, readings: Array) -> Array:
    """Loads of the balance in use less those applied, ``(n, n_loads)``."""
    try:
        loads, _ = balance.solve(readings.T * table.bridge_scale)
    except NotSettledError as error:
        raise CalibrationError(
            f"{table.path}, line {table.lines[error.sample]}: the fitted balance does not settle "
            "at this loading; use fewer --terms, or look at its readings"
        ) from error
    return np.asarray(loads.T / table.load_scales - table.load_values)


def _deletion(fit: LeastSquares, balance: Balance, table: LoadingTable) -> Array:
    """Deletion residuals as loads: applied less given back, by the linear part."""
    if balance.form == "direct":
        return fit.deletion_residuals
    to_loads = balance.linear * table.bridge_scale / table.load_scales[:, None]
    return np.asarray(fit.deletion_residuals @ to_loads.T)


def _written(term: Term, names: Sequence[str]) -> str:
    return written_term(term.kind, [names[i] for i in term.inputs])
