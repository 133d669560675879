"""Reverse arrangements: whether a record's means and variances rise or fall steadily."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Stretches a record is cut into, at most and at least. Fewer than the usual 20, since stretches
# must be independent of one another where a wake changes its state every few seconds. Simulated
# (20,000 records of 60 s, 7 channels, at 1 % for both statistics together), drifting were called
# 0.3 % of white noise, of peaks of Q 6 and 40 and of states and bursts of 2 s, and 0.9 % of states
# of 5 s; with up to 20 stretches 0.8 %, 1.5 %, 2.2 % and 5 %.
MOST_STRETCHES, FEWEST_STRETCHES = 10, 8
# Segments overlap by half: two in a stretch leave neighbouring stretches nearly independent.
FEWEST_GROUPS_EACH = 2
THIRD = 3


@dataclass(frozen=True)
class Trend:
    """Of one series: how much it changes, and how likely chance is to order it so."""

    change: float  # from the mean of the first third to that of the last
    p_value: float  # two-sided, for one series


def trends(groups: Array, weights: Array) -> tuple[Trend, ...]:
    """Trend of each series ``(n_groups, n_series)``, pooled into stretches of equal length.

    `weights`, ``(n_groups,)``, are the groups' sizes; too few groups give no trends.
    """
    n_groups = len(groups)
    each, n = _stretches(n_groups)
    if n < FEWEST_STRETCHES:
        return ()
    start = (n_groups - n * each) // 2  # what is left over stays out, half of it at either end
    kept = slice(start, start + n * each)
    shares = weights[kept].reshape(n, each)
    parts = groups[kept].reshape(n, each, -1)
    stretches = np.einsum("ng,ngs->ns", shares, parts) / shares.sum(axis=1)[:, None]
    third = n // THIRD
    changes = stretches[-third:].mean(axis=0) - stretches[:third].mean(axis=0)
    return tuple(
        Trend(float(change), reverse_arrangements_p(column))
        for change, column in zip(changes, stretches.T, strict=True)
    )


def tells_trends(n_groups: int) -> bool:
    """Whether a record has enough groups for trends."""
    return _stretches(n_groups)[1] >= FEWEST_STRETCHES


def _stretches(n_groups: int) -> tuple[int, int]:
    """Groups in each stretch, and how many stretches."""
    each = max(FEWEST_GROUPS_EACH, int(np.ceil(n_groups / MOST_STRETCHES)))
    return each, n_groups // each


def reverse_arrangements(values: Array) -> int:
    """Pairs of which the later value is the smaller one, of a series ``(n,)``."""
    later_is_smaller = values[:, None] > values[None, :]
    return int(np.triu(later_is_smaller, 1).sum())


def reverse_arrangements_p(values: Array) -> float:
    """Probability that chance gives a series ``(n,)`` an order so far from the mean of orders.

    Two-sided and exact, by counting the orders of n values with each number of reverse
    arrangements (Bendat & Piersol, Random Data, 4th ed., sections 4.5.2 and 10.3.1).
    """
    n = len(values)
    orders = np.ones(1)
    for more in range(2, n + 1):  # a value more stands before 0 to more - 1 of the others
        orders = np.convolve(orders, np.ones(more) / more)
    found = reverse_arrangements(values)
    fewer = min(found, len(orders) - 1 - found)
    return float(min(1.0, 2 * orders[: fewer + 1].sum()))
