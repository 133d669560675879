"""Who is felt least: closed forms of the normal distribution, quadrature, and simulated truths."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from buffet.rating.calibration import CALIBRATION
from buffet.rating.car_spread import CAR
from buffet.rating.criteria import read_criteria
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.ranking import NOT_ALIKE, Ranking, rank
from buffet.rating.rate import Rating
from buffet.spectral.uncertainty import LogEstimate, Unseen

ROWS = {row.id: row for row in read_criteria().rows}
LIMIT = ROWS["vertical-over-road"].possible
SPEED = np.array([36.0])
KNOWN = 1e6  # degrees of freedom of a spread that is as good as known
# Exact mean and variance, as the project draws its cars.
CARS = stats.norm.ppf((np.arange(24) + 0.5) / 24)
CARS = (CARS - CARS.mean()) / CARS.std(ddof=1)


def curve(
    share: float,
    own: float,
    car: NDArray[np.float64] | None = None,
    calibration: float = 0.0,
    row: str = "vertical-over-road",
    covered: bool = True,
) -> MetricCurve:
    """A metric at `share` of its limit; errors of its logarithm: its own, the car's, the gains'."""
    unseen = [Unseen((2 * calibration) ** 2, source=CALIBRATION)]
    variance = own**2 + calibration**2
    if car is not None:
        unseen.append(Unseen(np.var(2 * car, ddof=1), source=CAR, draws=2 * car[:, None]))
        variance += np.var(car, ddof=1)
    estimate = LogEstimate(
        np.array([share * ROWS[row].possible]),
        np.array([np.sqrt(variance)]),
        KNOWN,
        mixed_freedom=np.array([KNOWN]),
    )
    at = np.array([covered])
    return MetricCurve(ROWS[row], estimate, None, at, unseen=tuple(unseen))


def rated(name: str, *curves: MetricCurve, wind: Any = None, verdict: str = "possible") -> Any:
    """As much of a configuration's rating as ranking asks for."""
    rows = [
        SimpleNamespace(
            criterion=one.criterion,
            verdict=None
            if one.estimate is None
            else ("possible" if one.covered[0] else "undetermined"),
            why=None if one.covered[0] else "not covered",
        )
        for one in curves
    ]
    return SimpleNamespace(
        name=name,
        verdict=verdict,
        decisive=rows[0],
        criteria=rows,
        wind=wind,
        curves=SimpleNamespace(metrics=curves, setting=SimpleNamespace(speeds_m_s=SPEED)),
    )


def ranked(*configurations: Any) -> Ranking:
    """Of these configurations at the one speed."""
    rating = SimpleNamespace(
        configurations=configurations, speed_m_s=36.0, criteria=read_criteria()
    )
    return rank(cast(Rating, rating))


@pytest.mark.parametrize(("apart", "own"), [(0.05, 0.1), (0.3, 0.2), (0.0, 0.1)])
def test_of_two_the_probability_is_that_of_a_normal_difference(apart: float, own: float) -> None:
    """Phi of the difference over its standard deviation, whatever both share of the car."""
    for car in (None, 0.5 * CARS):
        found = ranked(
            rated("a", curve(1.0, own, car, calibration=0.3)),
            rated("b", curve(np.exp(apart), own, car, calibration=0.3)),
        )
        p_best = {one.name: one.p_best for one in found.ranked}
        expected = stats.norm.cdf(apart / (own * np.sqrt(2)))
        error = 4 * np.sqrt(expected * (1 - expected) / 24_000)

        assert p_best["a"] == pytest.approx(expected, abs=error)
        assert sum(p_best.values()) == pytest.approx(1)
        assert found.p_value("a", "b") == pytest.approx(2 * (1 - expected), abs=2 * error)
        half = 1.96 * own * np.sqrt(2)
        ratio = found.ratio("a", "b")
        assert np.log([ratio.low, ratio.high]) == pytest.approx(
            [-apart - half, -apart + half], abs=0.05 * half + 0.003
        )


def test_cars_to_which_two_wakes_answer_otherwise_do_not_cancel() -> None:
    """Against the sum over the cars of the normal distribution's own values."""
    own, one, other = 0.1, 0.3 * CARS, -0.2 * CARS
    found = ranked(rated("a", curve(1.0, own, one)), rated("b", curve(1.2, own, other)))
    distance = (np.log(1.2) + other - one) / (own * np.sqrt(2))

    p_best = {r.name: r.p_best for r in found.ranked}["a"]
    assert p_best == pytest.approx(stats.norm.cdf(distance).mean(), abs=0.012)


def test_of_three_the_probability_is_that_of_quadrature() -> None:
    """The integral of one density times the others' chances to lie above it."""
    from scipy.integrate import quad

    logs, spreads = np.array([0.0, 0.1, 0.25]), np.array([0.1, 0.2, 0.15])
    names = ("a", "b", "c")
    found = ranked(
        *(
            rated(name, curve(float(np.exp(x)), float(s), 0.4 * CARS))
            for name, x, s in zip(names, logs, spreads, strict=True)
        )
    )
    for i, name in enumerate(names):
        others = [j for j in range(3) if j != i]

        def density(x: float, i: int = i, others: list[int] = others) -> float:
            above = np.prod([stats.norm.sf(x, logs[j], spreads[j]) for j in others])
            return float(stats.norm.pdf(x, logs[i], spreads[i]) * above)

        p_best = {one.name: one.p_best for one in found.ranked}[name]
        assert p_best == pytest.approx(quad(density, -2, 2)[0], abs=0.012)


def test_stated_probabilities_come_true() -> None:
    """True levels and cars drawn, measured with their errors; of the favourites so many are best.

    A flat prior on the logarithms, so that what is measured may be turned round into what is true.
    """
    rng = np.random.default_rng(5)
    own, favourites, right = 0.15, [], []
    for _ in range(150):
        true = rng.uniform(-1, 1, size=3)
        measured = true + own * rng.normal(size=3)
        found = ranked(
            *(
                rated(f"c{i}", curve(float(np.exp(x)), own, 0.5 * CARS))
                for i, x in enumerate(measured)
            )
        )
        best = max(found.ranked, key=lambda one: one.p_best)
        favourites.append(best.p_best)
        right.append(best.name == f"c{true.argmin()}")
    error = np.sqrt(np.mean(np.array(favourites) * (1 - np.array(favourites))) / 150)

    assert np.mean(right) == pytest.approx(np.mean(favourites), abs=3 * error)
    assert 0.5 < np.mean(favourites) < 0.99


def test_the_criterion_nearest_to_its_limit_counts() -> None:
    """A quiet seat does not make up for a yawing car."""
    found = ranked(
        rated("a", curve(0.2, 0.05), curve(1.5, 0.05, row="yaw-rate")),
        rated("b", curve(0.6, 0.05), curve(0.5, 0.05, row="yaw-rate")),
    )

    assert [one.name for one in found.ranked] == ["b", "a"]
    assert found.ranked[1].criterion == "yaw-rate"
    assert found.ranked[0].p_best > 0.999
    assert found.ratio("a", "b").value == pytest.approx(1.5 / 0.6, rel=0.02)


def test_what_is_not_told_of_one_does_not_count_for_the_others() -> None:
    """The lateral row is undetermined of one; who lacks a deciding row is not ranked at all."""
    lateral = curve(9.0, 0.05, row="lateral", covered=False)
    found = ranked(
        rated("a", curve(1.0, 0.05), curve(5.0, 0.05, row="lateral")),
        rated("b", curve(2.0, 0.05), lateral),
        rated("c", curve(0.1, 0.05, covered=False), verdict="undetermined"),
    )

    assert found.criteria == ("vertical-over-road",)
    assert list(found.left_out) == ["lateral"]
    assert "b" in found.left_out["lateral"]
    assert [one.name for one in found.ranked] == ["a", "b"]
    assert found.unranked == {"c": "vertical-over-road: not covered"}


def test_still_air_is_not_ranked_beside_wind() -> None:
    """A configuration without the yaw angles that the wind asks for."""
    found = ranked(rated("a", curve(1.0, 0.1), wind=object()), rated("b", curve(0.1, 0.1)))

    assert found.unranked == {"b": NOT_ALIKE}
    assert [one.name for one in found.ranked] == ["a"]
    assert "b" not in found


def test_a_change_of_state_that_hardly_ever_comes_hardly_counts() -> None:
    """It is felt in as many drives as it comes up in."""
    jolt = replace(curve(5.0, 0.01, row="state-change"), occurs=np.array([0.3]))
    found = ranked(rated("a", curve(0.5, 0.01), jolt), rated("b", curve(1.0, 0.01)))
    p_best = {one.name: one.p_best for one in found.ranked}

    assert p_best["a"] == pytest.approx(0.7, abs=0.015)


def test_a_spread_known_from_next_to_nothing_still_gives_numbers() -> None:
    """Student's t of one degree of freedom draws values beyond any bound."""
    wild = curve(1.0, 0.5)
    assert wild.estimate is not None
    wild = replace(wild, estimate=replace(wild.estimate, mixed_freedom=np.array([1.0])))
    found = ranked(rated("a", wild), rated("b", curve(1.0, 0.01)))

    assert np.isfinite(found.shares["a"]).all()
    assert found.ratio("a", "b").value == pytest.approx(1.0, rel=0.05)
