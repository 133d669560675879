"""Order statistics of the reduced Gumbel variate, and Lieblein's estimates from them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Fewer maxima tell nothing of a spread; more than this nobody takes from one record.
FEWEST, MOST = 4, 64
# The rectangle rule on a whole line converges exponentially for integrands like these: with this
# step and these ends the moments of 10 variates agree with those of half the step to 1e-13.
_GRID = np.arange(-5.0, 45.0, 0.1)


@dataclass(frozen=True)
class Blue:
    """Best linear unbiased estimates of mode u and scale b of a Gumbel distribution.

    u = Σ mode_weights · x and b = Σ scale_weights · x of maxima x in ascending order (Lieblein
    1974, NBSIR 74-602). Variances are those of a distribution of scale 1.
    """

    mode_weights: Array  # (n,), sum 1
    scale_weights: Array  # (n,), sum 0
    mode_variance: float
    scale_variance: float
    covariance: float
    reduced_means: Array  # (n,), means of the ordered reduced variate


@cache
def blue(n: int) -> Blue:
    """Of n maxima, by generalised least squares on the order statistics' means and covariances.

    Raises
    ------
    ValueError
        n is not from 4 to 64.
    """
    if not FEWEST <= n <= MOST:
        raise ValueError(f"{n} maxima; wanted {FEWEST} to {MOST}")
    means, covariances = moments(n)
    design = np.stack([np.ones(n), means], axis=1)
    weighted = np.linalg.solve(covariances, design)  # (n, 2)
    variance = np.linalg.inv(design.T @ weighted)
    weights = variance @ weighted.T
    for locked in (weights, means):
        locked.setflags(write=False)
    return Blue(
        weights[0],
        weights[1],
        float(variance[0, 0]),
        float(variance[1, 1]),
        float(variance[0, 1]),
        means,
    )


def moments(n: int) -> tuple[Array, Array]:
    """Means ``(n,)`` and covariances ``(n, n)`` of n ordered reduced Gumbel variates.

    The j-th of n uniform variates is V ~ Beta(j, n - j + 1), and the i-th below it V W with an
    independent W ~ Beta(i, j - i). With V = exp(-e^-t) and W = exp(-e^-s), the reduced variates
    -ln(-ln V) and -ln(-ln V W) are t and -ln(e^-t + e^-s).
    """
    beta = _beta_densities(n)
    smaller = -np.logaddexp(-_GRID[:, None], -_GRID[None, :])  # (t, s)
    product = _GRID[:, None] * smaller
    order = range(1, n + 1)
    means = np.array([beta[i, n - i + 1] @ _GRID for i in order])
    second = np.empty((n, n))
    for j in order:
        upper = beta[j, n - j + 1]
        second[j - 1, j - 1] = upper @ _GRID**2
        below = upper @ product  # (s,)
        for i in range(1, j):
            second[i - 1, j - 1] = second[j - 1, i - 1] = below @ beta[i, j - i]
    return means, second - np.outer(means, means)


def _beta_densities(n: int) -> dict[tuple[int, int], Array]:
    """Weights on the grid of every Beta(p, q) with p + q ≤ n + 1."""
    from scipy.special import betaln

    step = float(_GRID[1] - _GRID[0])
    log_v = -np.exp(-_GRID)
    log_rest = np.log(-np.expm1(log_v))  # ln(1 - V)
    return {
        (p, q): step * np.exp(p * log_v + (q - 1) * log_rest - _GRID - betaln(p, q))
        for p in range(1, n + 1)
        for q in range(1, n + 2 - p)
    }
