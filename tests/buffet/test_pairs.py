"""Variance and p-values of differences beside scipy's t-tests and analysis of variance."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from buffet.analysis import CampaignAnalysis
from buffet.pairs import Estimate
from buffet.rating.scatter import Observation, Scatter, scatter, zero_shares

Array = NDArray[np.float64]

NO_REPEATS = Scatter(0.0, 0.0, 0, {})


def campaign(**runs: int) -> CampaignAnalysis:
    """So many repeats of each configuration at one operating point."""
    every = [
        SimpleNamespace(
            flow=SimpleNamespace(uncorrected_speed_m_s=40.0),
            run=SimpleNamespace(yaw_rad=0.0, configuration=name, number=f"{name}{i}"),
        )
        for name, n in runs.items()
        for i in range(n)
    ]
    return CampaignAnalysis(cast(Any, None), tuple(cast(Any, every)), (), ())


def scatter_of(
    groups: dict[str, Array], own: float, zeros: dict[str, dict[str, float]] | None = None
) -> Scatter:
    """Of repeats whose values are given; each knows itself to the variance `own`."""
    values = {f"{name}{i}": v for name, row in groups.items() for i, v in enumerate(row.tolist())}

    def observe(run: Any) -> Observation:
        left = (zeros or {}).get(run.run.number, {})
        return Observation(values[run.run.number], own, 80.0, left)

    return scatter(campaign(**{name: len(row) for name, row in groups.items()}), observe)


def mean_of(row: Array, own: float, repeats: Scatter) -> Estimate:
    """A configuration's mean."""
    n = len(row)
    parts = tuple((own / n**2, 80.0) for _ in row)
    return Estimate(float(row.mean()), parts, 1 / n, repeats)


@pytest.mark.parametrize("shift", [0.0, 1.0, 3.0])
def test_two_records_are_compared_by_welchs_t_test(shift: float) -> None:
    """Means of 5 and 12 values of unlike variance: scipy's t-test with unequal variances."""
    rng = np.random.default_rng(1)
    one, other = shift + rng.normal(0, 3, 5), rng.normal(0, 1, 12)
    estimates = [
        Estimate(float(x.mean()), ((float(x.var(ddof=1)) / len(x), len(x) - 1),), 1.0, NO_REPEATS)
        for x in (one, other)
    ]
    difference = estimates[0].minus(estimates[1])
    expected = stats.ttest_ind(one, other, equal_var=False)

    assert difference.p_value() == pytest.approx(expected.pvalue, rel=1e-9)
    low, high = expected.confidence_interval(0.95)
    assert (difference.interval().low, difference.interval().high) == pytest.approx((low, high))


@pytest.mark.parametrize("own", [0.0, 0.5, 1.0, 30.0])
@pytest.mark.parametrize("repeats", [2, 3, 5])
def test_repeats_are_compared_by_students_t_test(repeats: int, own: float) -> None:
    """What the records' own length explains of the scatter is not counted twice, nor cut off.

    As many repeats of both: scipy's t-test with equal variances, whatever each run knows of itself.
    """
    rng = np.random.default_rng(repeats)
    one, other = rng.normal(0, 1, (2, repeats))
    spread = scatter_of({"a": one, "b": other}, own)
    difference = mean_of(one, own, spread).minus(mean_of(other, own, spread))
    expected = stats.ttest_ind(one, other)

    assert difference.p_value() == pytest.approx(expected.pvalue, rel=1e-9)
    low, high = expected.confidence_interval(0.95)
    assert (difference.interval().low, difference.interval().high) == pytest.approx((low, high))


def test_scatter_is_pooled_over_all_repeated_configurations() -> None:
    """Four configurations twice: the residual variance of an analysis of variance, 4 freedoms."""
    rng = np.random.default_rng(4)
    groups = {name: rng.normal(i, 1, 2) for i, name in enumerate("abcd")}
    spread = scatter_of(groups, 0.2)
    residual = sum(float(row.var(ddof=1)) for row in groups.values()) / 4
    difference = mean_of(groups["a"], 0.2, spread).minus(mean_of(groups["b"], 0.2, spread))

    assert spread.observed == pytest.approx(residual)
    assert spread.own == pytest.approx(0.2)
    assert spread.freedom == 4
    assert difference.variance == pytest.approx(residual)  # 2 / n of it, n = 2
    half = stats.t.ppf(0.975, 4) * np.sqrt(residual)
    assert difference.interval().high == pytest.approx(difference.value + half, rel=1e-6)


def test_a_run_without_repeats_carries_the_scatter_of_the_others() -> None:
    """One run each, the scatter known from a third configuration: own twice, and 2 b."""
    spread = scatter_of({"c": np.array([-1.0, 1.0, 0.0])}, 0.3)  # observed 1, so b = 0.7
    one = Estimate(0.0, ((0.3, 80.0),), 1.0, spread)

    assert one.minus(one).variance == pytest.approx(2 * (0.3 + 0.7))


def test_scatter_far_smaller_than_the_records_leave_does_not_void_their_own() -> None:
    """Calm configurations among restless ones that happen to repeat: not below their own."""
    spread = scatter_of({"c": np.array([0.0, 1.0])}, own=50.0)
    calm = Estimate(0.0, ((0.1, 80.0),), 1.0, spread)

    assert spread.run_to_run == 0.0
    assert calm.minus(calm).variance == pytest.approx(0.2)
    high = calm.minus(calm).interval().high
    assert high is not None
    # no less than normal errors alone, no more than one freedom leaves of the repeats' own scatter
    assert 1.96 * np.sqrt(0.2) <= high <= 12.71 * np.sqrt(50.0)


@pytest.mark.parametrize("freedom", [1, 2, 5])
@pytest.mark.parametrize("share", [0.01, 0.3, 3.0])
def test_p_values_are_those_of_drawn_errors(freedom: int, share: float) -> None:
    """By 400 000 draws: normal for the known part, Student's t for the other, added."""
    rng = np.random.default_rng(freedom)
    draws = rng.standard_t(freedom, 400_000) + np.sqrt(share) * rng.standard_normal(400_000)
    one = Estimate(3.0, ((share, np.inf),), 1.0, Scatter(1.0, 0.0, freedom, {}))
    half = float(np.quantile(np.abs(draws), 0.95))

    assert one.variance == pytest.approx(1 + share)
    assert one.p_value() == pytest.approx(float(np.mean(np.abs(draws) > 3)), rel=0.05)
    assert one.interval().high == pytest.approx(3 + half, rel=0.02)


def test_a_zero_that_both_share_cancels() -> None:
    """One wind-off run for both, and one each."""
    of = Estimate(1.0, ((0.01, 50.0),), 1.0, NO_REPEATS, {"0": 0.3})
    apart = replace(of, zeros={"9": 0.3})

    assert of.minus(of).variance == pytest.approx(0.02)
    assert of.minus(apart).variance == pytest.approx(0.02 + 2 * 0.3**2)


def test_repeats_with_zeros_of_their_own_show_them_in_their_scatter() -> None:
    """Each run with a zero of variance 0.09: in the scatter, so added once; shared: not in it."""
    values = {"a": np.array([0.0, 1.0]), "b": np.array([0.2, 0.5])}
    each = {f"{n}{i}": {f"zero {n}{i}": 0.3} for n in "ab" for i in (0, 1)}
    both = {f"{n}{i}": {f"zero {n}": 0.3} for n in "ab" for i in (0, 1)}

    assert scatter_of(values, 0.1, each).own == pytest.approx(0.1 + 0.09)
    assert scatter_of(values, 0.1, both).own == pytest.approx(0.1)
    shares = zero_shares(
        np.array([0.5, 0.5]), [Observation(0, 0, 1, each[r]) for r in ("a0", "a1")]
    )
    assert shares == pytest.approx({"zero a0": 0.15, "zero a1": 0.15})


def test_no_variance_at_all_tells_equal_from_different() -> None:
    """Noise-free values: p is 1 or 0."""
    sure = Estimate(1.0, ((0.0, 5.0),), 1.0, NO_REPEATS)

    assert sure.minus(sure).p_value() == 1.0
    assert sure.minus(replace(sure, value=2.0)).p_value() == 0.0
