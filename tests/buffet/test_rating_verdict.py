"""From a metric with its uncertainty to a verdict: rule, order, gate, coverage, onset."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.stats import t as student

from buffet.rating.criteria import Criterion, Verdict, read_criteria
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.onset import Onset, first_crossing, onset, search_speeds
from buffet.rating.verdict import CriterionRating, rate_criterion, worst
from buffet.spectral.uncertainty import LogEstimate

CRITERIA = read_criteria()
ROWS = {row.id: row for row in CRITERIA.rows}
OVER_ROAD, COMFORT, REAR = (
    ROWS[name] for name in ("vertical-over-road", "vertical-comfort", "rear-load")
)
SPEEDS = np.array([10.0, 20.0, 30.0, 40.0, 50.0])


def estimate(value: Any, spread: float = 0.05, blocks: float = 20.0) -> LogEstimate:
    """A value known with a relative spread."""
    values = np.atleast_1d(np.asarray(value, float))
    return LogEstimate(values, np.full(values.shape, spread), blocks)


def curve(row: Criterion, value: Any, *, covered: Any = True, **more: Any) -> MetricCurve:
    """One criterion's metric at one or more speeds."""
    metric = estimate(value, more.pop("spread", 0.05), more.pop("blocks", 20.0))
    reach = np.broadcast_to(np.asarray(covered, bool), metric.value.shape)
    return MetricCurve(row, metric, None, reach, **more)


def verdict_of(curve: MetricCurve) -> CriterionRating:
    """At the first speed."""
    return rate_criterion(curve, 0, CRITERIA)


@pytest.mark.parametrize(
    ("p_possible", "p_likely", "verdict"),
    [
        (1.0, 0.5, "likely"),
        (1.0, 0.499, "possible"),
        (0.1, 0.0, "possible"),
        (0.099, 0.0, "unlikely"),
        (0.0, 0.0, "unlikely"),
    ],
)
def test_rule(p_possible: float, p_likely: float, verdict: Verdict) -> None:
    """Likely from P = 0.5 of the upper limit, unlikely below P = 0.1 of the lower one."""
    assert CRITERIA.verdict(p_possible, p_likely) == verdict


@pytest.mark.parametrize("distance", [-2.0, -1.0, 0.0, 0.5, 3.0])
def test_probability_is_students(distance: float) -> None:
    """P(metric > limit) of a metric so many spreads above it, on the blocks' degrees of freedom."""
    value = OVER_ROAD.possible * np.exp(distance * 0.05)
    rated = verdict_of(curve(OVER_ROAD, value))

    assert rated.p_possible == pytest.approx(student.cdf(distance, 19), abs=1e-9)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (0.2, "unlikely"),
        (0.44, "possible"),
        (0.7, "possible"),
        (0.99, "possible"),
        (1.01, "likely"),
    ],
)
def test_metric_to_verdict(value: float, verdict: Verdict) -> None:
    """With 5 % spread: 0.44 exceeds 0.46 with P of 0.2, so it is possible."""
    assert verdict_of(curve(OVER_ROAD, value)).verdict == verdict


def test_not_covered_is_undetermined_whatever_the_metric() -> None:
    """Quiet or loud, below the gate or not: coverage comes first."""
    for value in (0.001, 5.0):
        for seat in (None, estimate(0.001)):
            rated = verdict_of(curve(OVER_ROAD, value, covered=False, seat=seat))
            assert rated.verdict == "undetermined"
            assert rated.why == "the usable road band does not cover it"
            assert rated.metric is not None
            assert rated.metric.value == value


@pytest.mark.parametrize(("blocks", "verdict"), [(7.9, "undetermined"), (8.0, "likely")])
def test_too_few_blocks_are_undetermined(blocks: float, verdict: Verdict) -> None:
    """Below eight independent stretches the interval itself is not known."""
    rated = verdict_of(curve(OVER_ROAD, 2.0, blocks=blocks))

    assert rated.verdict == verdict
    assert (rated.why is not None) == (verdict == "undetermined")


@pytest.mark.parametrize(("seat", "verdict"), [(0.0109, "unlikely"), (0.0111, "likely")])
def test_what_nobody_perceives_is_unlikely(seat: float, verdict: Verdict) -> None:
    """Twice the road's motion, on a road so smooth that neither is felt."""
    assert verdict_of(curve(OVER_ROAD, 2.0, seat=estimate(seat))).verdict == verdict
    # Rows without a threshold have no such gate.
    assert verdict_of(curve(COMFORT, 2.0, seat=estimate(seat))).verdict == "likely"


def test_not_measured_has_no_verdict() -> None:
    """And does not count."""
    missing = MetricCurve(REAR, None, "lift was not measured", np.array([False]))
    rated = verdict_of(missing)

    assert (rated.metric, rated.verdict, rated.p_possible) == (None, None, None)
    assert rated.why == "lift was not measured"
    assert worst((rated,)) is None
    assert worst((rated, verdict_of(curve(COMFORT, 0.01)))) == verdict_of(curve(COMFORT, 0.01))


LOUDNESS = {"likely": 2.0, "possible": 0.7, "unlikely": 0.01}


def rated_as(verdict: str, row: Criterion = OVER_ROAD) -> CriterionRating:
    """A row with a verdict."""
    if verdict == "undetermined":
        return verdict_of(curve(row, 5.0, covered=False))
    return verdict_of(curve(row, LOUDNESS[verdict] * row.likely))


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        (("unlikely", "likely", "undetermined"), "likely"),
        (("unlikely", "possible", "undetermined"), "possible"),
        (("unlikely", "undetermined"), "undetermined"),
        (("unlikely", "unlikely"), "unlikely"),
    ],
)
def test_worst_comes_first(verdicts: tuple[str, ...], expected: str) -> None:
    """Likely before possible before undetermined before unlikely, in any order of rows."""
    for order in (verdicts, verdicts[::-1]):
        decisive = worst(tuple(rated_as(verdict) for verdict in order))
        assert decisive is not None
        assert decisive.verdict == expected


def test_of_equals_the_one_nearest_its_limit_decides() -> None:
    """Comfort at 90 % of its limit is named, not the wake at 2 % of its own."""
    quiet = verdict_of(curve(OVER_ROAD, 0.02 * OVER_ROAD.possible))
    near = verdict_of(curve(COMFORT, 0.9 * COMFORT.possible, spread=0.01))

    assert worst((quiet, near)) is near


def found(value: Any, **more: Any) -> Onset:
    """The onset of a metric over `SPEEDS`."""
    up_to = more.pop("up_to", 50.0)
    return onset(curve(OVER_ROAD, value, **more), SPEEDS, up_to)


def test_onset_of_a_power_law() -> None:
    """0.46 (V / 33)³ reaches the limit of 0.46 at 33 m/s; its limits at 33 / (ratio)^(1/3)."""
    reached = found(0.46 * (SPEEDS / 33) ** 3).speed_m_s
    ratio = np.exp(student.ppf(0.975, 19) * 0.05)

    assert reached is not None
    assert reached.value == pytest.approx(33)
    assert reached.low == pytest.approx(33 / ratio ** (1 / 3))
    assert reached.high == pytest.approx(33 * ratio ** (1 / 3))


def test_onset_that_is_not_reached() -> None:
    """None, with the range that was searched."""
    nothing = found(0.46 * (SPEEDS / 60) ** 3)

    assert nothing.speed_m_s is None
    assert nothing.covered_m_s == (10.0, 50.0)


def test_onset_is_searched_in_the_covered_range_only() -> None:
    """Not below it, not above it, not beyond the highest speed asked."""
    loud = np.full(5, 2.0)
    reached = found(loud, covered=[False, False, True, True, False]).speed_m_s
    bounded = found(0.46 * (SPEEDS / 33) ** 3, up_to=30.0)

    assert reached is not None
    assert reached.value == 30.0
    assert bounded.speed_m_s is None
    assert bounded.covered_m_s == (10.0, 30.0)
    assert found(loud, covered=False).covered_m_s is None
    assert found(loud, blocks=5).speed_m_s is None


def test_upper_end_that_lies_beyond_the_search() -> None:
    """Reached for sure by nobody: the interval is open above."""
    reached = found(0.46 * (SPEEDS / 49) ** 3).speed_m_s

    assert reached is not None
    assert reached.value == pytest.approx(49)
    assert reached.high is None


def test_onset_waits_for_the_motion_to_be_felt() -> None:
    """A ratio of 2 everywhere, and a motion of 0.011 (V / 25)²: onset where it is felt."""
    seat = estimate(0.011 * (SPEEDS / 25) ** 2)
    reached = found(np.full(5, 2.0), seat=seat).speed_m_s

    assert reached is not None
    assert reached.value == pytest.approx(25)


def test_first_crossing_is_the_first() -> None:
    """A resonance that is passed counts where it is met, though it is quiet again above."""
    speeds = np.array([1.0, 2.0, 4.0, 8.0])

    assert first_crossing(speeds, np.array([0.25, 4.0, 0.1, 9.0])) == pytest.approx(np.sqrt(2))
    assert first_crossing(speeds, np.array([1.0, 0.1, 0.1, 0.1])) == 1.0
    assert first_crossing(speeds, np.array([0.0, 2.0, 2.0, 2.0])) == 2.0
    assert first_crossing(speeds, np.full(4, 0.9)) is None


def test_speeds_asked_for_are_searched_too() -> None:
    """Every 5 km/h from 30 km/h, and the rated speed among them."""
    speeds = search_speeds(np.array([33.0 / 3.6, 50.0 / 3.6]), 60 / 3.6)

    assert np.unique(np.round(speeds * 3.6, 6)).tolist() == [30, 33, 35, 40, 45, 50, 55, 60]
    assert 33.0 / 3.6 in speeds
