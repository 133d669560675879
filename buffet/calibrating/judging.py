"""Whether a calibration is good enough to be used, and what speaks against it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.calibrating.fit import LOADINGS_PER_TERM, Calibration
from buffet.calibrating.least_squares import WHOLE_LEVERAGE
from ingest import three_digits

Word = Literal["good", "usable", "poor"]

# Standard deviation of the worst load over its full scale. Strain-gauge balances are quoted at
# about 0.1 % of full scale (common practice, no source); five times that still tells add-ons apart
# whose coefficients differ by a few per cent of full scale (engineering judgement).
GOOD_SHARE = 0.001
USABLE_SHARE = 0.005
# Probability of a false alarm, over all loadings and loads, at which a loading stands out; and of
# one coefficient being nought at which it counts as not significant.
LEVEL = 0.05
# A loading's own fit without it this much worse than with it: the terms follow the scatter
# (engineering judgement; 1.2 where half as many terms as loadings are fitted to mere scatter).
OVERFITTED = 1.5
# Of full scale: what is smaller is arithmetic, and nothing is to be read from it.
ROUNDING = 1e-9


@dataclass(frozen=True)
class Judgement:
    """One word, the load it rests on, and what to look at."""

    word: Word
    load: str
    share: float  # standard deviation of the worst load over its full scale
    cautions: tuple[str, ...]


def judge(calibration: Calibration) -> Judgement:
    """Judge by the worst load: given back by the balance, or by a fit without each loading."""
    table = calibration.table
    shares = np.fmax(calibration.load_deviation, calibration.deletion_deviation) / table.full_scale
    worst = int(shares.argmax())
    share = float(shares[worst])
    word: Word = "poor"
    if share <= USABLE_SHARE:
        word = "good" if share <= GOOD_SHARE else "usable"
    return Judgement(word, table.loads[worst], share, tuple(_cautions(calibration)))


def _cautions(calibration: Calibration) -> Iterator[str]:
    yield from _outliers(calibration)
    fit, table = calibration.fit, calibration.table
    own = np.maximum(calibration.load_deviation, ROUNDING * table.full_scale)
    ratio = calibration.deletion_deviation / own
    if ratio.max() > OVERFITTED:
        load = table.loads[int(ratio.argmax())]
        yield (
            f"without itself a loading is met {ratio.max():.1f} times worse ({load}): the terms "
            "follow the scatter; use fewer --terms, or more loadings"
        )
    spare = len(table.lines) - len(table.series_names) - LOADINGS_PER_TERM * len(calibration.terms)
    if spare < 0:
        yield (
            f"{len(table.lines)} loadings are few for {len(calibration.terms)} terms: the scatter "
            "is poorly known"
        )
    alone = [str(table.lines[i]) for i in np.flatnonzero(fit.leverage >= WHOLE_LEVERAGE)]
    if alone:
        yield f"a term rests on one loading alone, which nothing checks: line {', '.join(alone)}"
    for load, low, high in zip(
        table.loads, table.load_values.min(axis=0), table.load_values.max(axis=0), strict=True
    ):
        if low >= 0.0 or high <= 0.0:
            yield f"{load} was loaded in one sense only; nothing is known of the other"


def _outliers(calibration: Calibration) -> Iterator[str]:
    """Loadings whose residuals are too large for chance, the worst three."""
    studentised = studentised_residuals(calibration)
    p_values = _p_values(calibration, studentised)
    found = [int(i) for i in np.argsort(p_values.min(axis=1)) if p_values[i].min() < LEVEL]
    for row in found[:3]:
        load = int(p_values[row].argmin())
        residual = calibration.load_residuals[row, load]
        yield (
            f"line {calibration.table.lines[row]} stands out: {calibration.table.loads[load]} is "
            f"off by {three_digits(residual)} {calibration.table.load_units[load]}, "
            f"{three_digits(abs(studentised[row, load]))} standard deviations; look at that loading"
        )
    if len(found) > 3:
        yield f"{len(found) - 3} more loadings stand out"


def studentised_residuals(calibration: Calibration) -> NDArray[np.float64]:
    """Load residuals over their own standard deviations, ``(n, n_loads)``."""
    left = np.sqrt(np.maximum(1.0 - calibration.fit.leverage, 1.0 - WHOLE_LEVERAGE))
    deviation = np.maximum(calibration.load_deviation, ROUNDING * calibration.table.full_scale)
    return np.asarray(calibration.load_residuals / deviation / left[:, None])


def _p_values(calibration: Calibration, studentised: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of residuals as large by chance anywhere in the table, after Bonferroni.

    Each is compared with the scatter of the others (Draper & Smith 1998, 8.1).
    """
    from scipy.special import stdtr

    freedom = calibration.fit.freedom
    if freedom < 2:
        return np.ones_like(studentised)
    rest = np.maximum(freedom - studentised**2, np.finfo(float).eps)
    others = np.abs(studentised) * np.sqrt((freedom - 1) / rest)
    return np.asarray(np.minimum(2.0 * stdtr(freedom - 1, -others) * studentised.size, 1.0))


def significant(calibration: Calibration) -> NDArray[np.bool_]:
    """Of each coefficient, ``(n_terms, n_outputs)``: unlikely to be nought."""
    return np.asarray(calibration.fit.p_values < LEVEL)
