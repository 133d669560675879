"""Ordinary least squares of several outputs on one design, with a zero of its own for each series.

Draper & Smith 1998, Applied Regression Analysis, 3rd ed.: estimates and standard errors (ch. 5),
leverages and deletion residuals (ch. 8), variance inflation (ch. 16).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A column whose variance the ones before it explain to all but this share's inverse is not told
# from them: its standard error is a hundred times what it would be alone. The complete set of
# terms up to third order has 1000 by its nature, on evenly spread loads (engineering judgement).
LARGEST_INFLATION = 1e4
# Deletion residuals are not known where a loading determines a term alone.
WHOLE_LEVERAGE = 1.0 - 1e-9


@dataclass(frozen=True)
class LeastSquares:
    """Estimates for each output in turn; rows are loadings, columns outputs."""

    kept: tuple[int, ...]  # columns of the design that could be told apart
    coefficients: Array  # (n_kept, n_outputs)
    standard_errors: Array  # (n_kept, n_outputs)
    zeros: Array  # (n_series, n_outputs)
    zero_errors: Array  # (n_series, n_outputs)
    residuals: Array  # (n, n_outputs)
    leverage: Array  # (n,)
    inflation: Array  # (n_kept,), variance inflation factors
    freedom: int

    @property
    def deviation(self) -> Array:
        """Standard deviation of the residuals, ``(n_outputs,)``."""
        return np.asarray(np.sqrt((self.residuals**2).sum(axis=0) / self.freedom))

    @property
    def deletion_residuals(self) -> Array:
        """Of each loading from a fit without it, ``(n, n_outputs)``; nan where there is none."""
        left = np.where(self.leverage < WHOLE_LEVERAGE, 1.0 - self.leverage, np.nan)
        return np.asarray(self.residuals / left[:, None])

    @property
    def t_values(self) -> Array:
        """Each coefficient over its standard error, ``(n_kept, n_outputs)``."""
        t = np.zeros_like(self.coefficients)
        with np.errstate(divide="ignore"):  # of outputs without any scatter
            np.divide(self.coefficients, self.standard_errors, out=t, where=self.coefficients != 0)
        return t

    @property
    def p_values(self) -> Array:
        """Of each coefficient being zero, two-sided, ``(n_kept, n_outputs)``."""
        from scipy.special import stdtr

        return np.asarray(2.0 * stdtr(self.freedom, -np.abs(self.t_values)))


def told_apart(design: Array, series: NDArray[np.intp], limit: float) -> tuple[int, ...]:
    """Columns that the loadings tell from those before them, in order.

    Gram and Schmidt with a second pass: what is left of a column, squared and over its own length,
    is the inverse of its variance inflation by the columns before it.
    """
    centred = design - _means(design, series)[series]
    basis = np.empty((len(design), 0))
    kept = []
    for index, column in enumerate(centred.T):
        length = float(np.linalg.norm(column))
        left = column
        for _ in range(2):
            left = left - basis @ (basis.T @ left)
        rest = float(np.linalg.norm(left))
        if length > 0.0 and rest**2 * limit > length**2:
            kept.append(index)
            basis = np.column_stack([basis, left / rest])
    return tuple(kept)


def least_squares(
    design: Array,
    outputs: Array,
    series: NDArray[np.intp],
    limit: float = LARGEST_INFLATION,
) -> LeastSquares:
    """Fit outputs ``(n, n_outputs)`` by columns of a design ``(n, n_columns)``.

    `series` numbers each row's series from 0 on; each has a constant of its own. Columns that
    cannot be told from those before them are left out. The columns are centred in each series and
    brought to one length before an orthogonal decomposition, so that units do not matter.

    Raises
    ------
    ValueError
        There are not more rows than coefficients.
    """
    kept = told_apart(design, series, limit)
    middle, level = _means(design[:, kept], series), _means(outputs, series)
    centred = design[:, kept] - middle[series]
    length = np.linalg.norm(centred, axis=0)
    orthogonal, triangle = np.linalg.qr(centred / length)
    freedom = len(design) - len(kept) - len(middle)
    if freedom < 1:
        raise ValueError(f"{len(design)} rows for {len(kept) + len(middle)} coefficients")
    of_rows = outputs - level[series]
    scaled = np.linalg.solve(triangle, orthogonal.T @ of_rows)
    inverse = np.linalg.inv(triangle)
    residuals = of_rows - (centred / length) @ scaled
    deviation = np.sqrt((residuals**2).sum(axis=0) / freedom)
    counts = np.bincount(series)
    shift = (middle / length) @ inverse  # of the zeros' errors with the coefficients'
    return LeastSquares(
        kept=kept,
        coefficients=scaled / length[:, None],
        standard_errors=np.outer(np.linalg.norm(inverse, axis=1) / length, deviation),
        zeros=level - (middle / length) @ scaled,
        zero_errors=np.outer(np.sqrt(1.0 / counts + (shift**2).sum(axis=1)), deviation),
        residuals=residuals,
        leverage=(orthogonal**2).sum(axis=1) + 1.0 / counts[series],
        inflation=(inverse**2).sum(axis=1),
        freedom=freedom,
    )


def _means(values: Array, series: NDArray[np.intp]) -> Array:
    """Of each series, ``(n_series, n_columns)``."""
    counts = np.bincount(series)
    sums = np.zeros((len(counts), values.shape[1]))
    np.add.at(sums, series, values)
    return np.asarray(sums / counts[:, None])
