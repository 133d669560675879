"""The fit behind a balance's calibration, against certified values, scipy and planted truth."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from buffet.calibrating.equations import TERM_SETS, TermSet, design_of, reach_of, terms_of
from buffet.calibrating.least_squares import least_squares, told_apart
from ingest import Term

Array = NDArray[np.float64]
PUBLISHED = Path(__file__).parents[1] / "published"
RESIDUAL_DEVIATION = 304.854073561965  # certified, with the coefficients


def one_series(n: int) -> NDArray[np.intp]:
    """All rows with one zero."""
    return np.zeros(n, np.intp)


def published(name: str) -> list[dict[str, str]]:
    """Rows of a published table."""
    with (PUBLISHED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_longleys_data_give_the_certified_values() -> None:
    """NIST's Longley: regressors so alike that the fifth is inflated 1788-fold; nine digits."""
    rows = published("longley.csv")
    design = np.array([[float(row[f"x{i}"]) for i in range(1, 7)] for row in rows])
    outputs = np.array([[float(row["y"])] for row in rows])
    certified = published("longley_certified.csv")

    fit = least_squares(design, outputs, one_series(len(rows)), limit=1e8)

    estimates = [fit.zeros[0, 0], *fit.coefficients[:, 0]]
    errors = [fit.zero_errors[0, 0], *fit.standard_errors[:, 0]]
    for row, estimate, error in zip(certified, estimates, errors, strict=True):
        assert estimate == pytest.approx(float(row["estimate"]), rel=1e-9)
        assert error == pytest.approx(float(row["standard_error"]), rel=1e-9)
    assert fit.deviation[0] == pytest.approx(RESIDUAL_DEVIATION, rel=1e-10)
    assert fit.freedom == 9


def test_one_regressor_is_scipys_straight_line() -> None:
    """Slope, zero, both standard errors and the p-value of `linregress`."""
    rng = np.random.default_rng(3)
    x = rng.uniform(-1, 1, 12)
    y = 0.3 + 0.2 * x + 0.2 * rng.standard_normal(12)
    line: Any = stats.linregress(x, y)

    fit = least_squares(x[:, None], y[:, None], one_series(12))

    assert fit.coefficients[0, 0] == pytest.approx(line.slope)
    assert fit.standard_errors[0, 0] == pytest.approx(line.stderr)
    assert fit.zeros[0, 0] == pytest.approx(line.intercept)
    assert fit.zero_errors[0, 0] == pytest.approx(line.intercept_stderr)
    assert fit.p_values[0, 0] == pytest.approx(line.pvalue)


def series_case() -> tuple[Array, Array, NDArray[np.intp]]:
    """Four columns of sizes from 1e-3 to 1e5, two outputs, three series of uneven length."""
    rng = np.random.default_rng(5)
    design = rng.standard_normal((30, 4)) * [1.0, 1e-3, 1e5, 30.0]
    series = np.repeat([0, 1, 2], [5, 10, 15]).astype(np.intp)
    outputs = design @ rng.standard_normal((4, 2)) + 0.1 * rng.standard_normal((30, 2)) + 5.0
    return design, outputs, series


def test_series_are_columns_of_ones_to_numpy() -> None:
    """`lstsq` with a column of ones a series, less the digits that its unscaled columns lose."""
    design, outputs, series = series_case()
    ones = (series[:, None] == np.arange(3)).astype(float)
    theirs = np.linalg.lstsq(np.column_stack([design, ones]), outputs, rcond=None)[0]

    fit = least_squares(design, outputs, series)

    np.testing.assert_allclose(fit.coefficients, theirs[:4], rtol=1e-7)
    np.testing.assert_allclose(fit.zeros, theirs[4:], rtol=1e-7)
    whole = np.column_stack([design, ones])
    covariance = np.linalg.inv(whole.T @ whole)  # the textbook's formula, s² (X'X)⁻¹
    errors = np.sqrt(np.outer(np.diag(covariance), fit.deviation**2))
    np.testing.assert_allclose(fit.standard_errors, errors[:4], rtol=1e-6)
    np.testing.assert_allclose(fit.zero_errors, errors[4:], rtol=1e-6)
    assert fit.freedom == 30 - 7


def test_deletion_residuals_are_those_of_a_fit_without_the_row() -> None:
    """Each row taken out in turn, by `lstsq`."""
    design, outputs, series = series_case()
    whole = np.column_stack([design, (series[:, None] == np.arange(3)).astype(float)])
    fit = least_squares(design, outputs, series)

    for row in (0, 7, 29):
        kept = np.arange(30) != row
        without = np.linalg.lstsq(whole[kept], outputs[kept], rcond=None)[0]
        expected = outputs[row] - whole[row] @ without
        np.testing.assert_allclose(fit.deletion_residuals[row], expected, rtol=1e-6)


def test_inflation_is_that_of_the_correlation_matrix() -> None:
    """Diagonal of the inverse correlations, in one series."""
    rng = np.random.default_rng(8)
    x = rng.standard_normal((40, 3))
    x[:, 2] += 2.0 * x[:, 0]
    fit = least_squares(x, x[:, :1], one_series(40))

    expected = np.diag(np.linalg.inv(np.corrcoef(x.T)))
    np.testing.assert_allclose(fit.inflation, expected)


def test_columns_that_are_not_told_apart_are_left_out() -> None:
    """A sum of two, a constant and a copy with a thousandth of noise; the last is left in."""
    rng = np.random.default_rng(9)
    a, b, noise = rng.standard_normal((3, 50))
    design = np.column_stack([a, b, a + b, np.full(50, 7.0), a + 1e-3 * noise, a + 0.1 * noise])

    assert told_apart(design, one_series(50), 1e4) == (0, 1, 5)
    assert told_apart(design, one_series(50), 1e8) == (0, 1, 4)


def test_too_few_rows_are_refused() -> None:
    """Three rows for two slopes and a zero leave nothing to judge by."""
    with pytest.raises(ValueError, match="3 rows for 3 coefficients"):
        least_squares(np.array([[1.0, 0], [0, 1], [1, 2]]), np.ones((3, 1)), one_series(3))


def test_intervals_cover_the_truth() -> None:
    """400 fits of 27 terms to 60 loadings: 95 % intervals hold the planted value in 93 to 97 %.

    Of 10,800 coefficients of one fit each 95 % ± 0.5 % would hold it, were they independent.
    """
    rng = np.random.default_rng(11)
    terms = terms_of(6, "products")
    covered = []
    for _ in range(400):
        loads = rng.uniform(-1, 1, (60, 6))
        design, truth = design_of(terms, loads), rng.standard_normal((len(terms), 1))
        series = np.repeat([0, 1], 30).astype(np.intp)
        zeros = np.array([0.3, -0.2])[series]
        outputs = design @ truth + zeros[:, None] + 0.01 * rng.standard_normal((60, 1))
        fit = least_squares(design, outputs, series)
        half = stats.t.ppf(0.975, fit.freedom) * fit.standard_errors
        covered.append(np.abs(fit.coefficients - truth) < half)

    assert 0.93 < np.mean(covered) < 0.97


@pytest.mark.parametrize(
    ("terms", "count"),
    [("linear", 6), ("squares", 12), ("products", 27), ("absolute", 84), ("all", 96)],
)
def test_terms_of_six_components(terms: TermSet, count: int) -> None:
    """6 × 27 and AIAA R-091's 6 × 96: 24 of one input, 60 of two, 12 third powers."""
    found = terms_of(6, terms)

    assert len(found) == len({(t.kind, t.inputs) for t in found}) == count
    if terms == "all":
        kinds = [(t.kind, len(set(t.inputs))) for t in found]
        one = ("F", 1), ("|F|", 1), ("FG", 1), ("F|G|", 1)
        two = ("FG", 2), ("|FG|", 2), ("F|G|", 2), ("|F|G", 2)
        assert [kinds.count(kind) for kind in one] == [6] * 4
        assert [kinds.count(kind) for kind in two] == [15] * 4
        assert [kinds.count((kind, 1)) for kind in ("F3", "|F3|")] == [6, 6]


def test_each_set_holds_the_one_before_it() -> None:
    """In the same order, so that simple terms go first."""
    sets = [terms_of(4, terms) for terms in TERM_SETS]

    for small, large in pairwise(sets):
        assert large[: len(small)] == small


def test_reach_is_the_share_of_full_scale() -> None:
    """Two loads never together: their product is not reached; half of one: a quarter."""
    loads = np.array([[2.0, 0.0, 1.0], [0.0, 3.0, 0.0], [-1.0, 0.0, 2.0]])
    terms = (Term("F", (0,)), Term("FG", (0, 1)), Term("FG", (0, 2)), Term("|FG|", (1, 2)))

    assert reach_of(terms, loads).tolist() == [1.0, 0.0, 0.5, 0.0]
