"""Wind-off zeros are a straight line in time, and their drift is judged."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from ingest import Channel, ZeroReading
from ingest.zeros import RunClock, has_zero, zero_line

START = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
RUN = RunClock("014", START)
LIFT = Channel("lift", 0, "lift", "N", 250.0, full_scale_raw=10.0)  # ±2500 N
DRAG = Channel("drag", 1, "drag", "N", 1.0)
TEMPERATURE = Channel("air", 2, "temperature", "K", 1.0)


def reading(run: str, minutes: float | None, **means: float) -> ZeroReading:
    """A zero taken so many minutes after the run's start."""
    at = None if minutes is None else START + timedelta(minutes=minutes)
    return ZeroReading(run, at, means)


def test_zero_is_linear_in_time() -> None:
    """From 10 N ten minutes before to 40 N five minutes after: 30 N at the start, 2 N a minute."""
    line, _ = zero_line(
        RUN,
        [LIFT, TEMPERATURE],
        reading("012", -10, lift=10.0, air=290.0),
        reading("016", 5, lift=40.0),
    )

    assert line is not None
    np.testing.assert_allclose(line.at(np.array([0.0, 60.0, 150.0])), [[30, 32, 35], [0, 0, 0]])


def test_zero_is_held_outside_its_two_readings() -> None:
    """No extrapolation: a run outside the zeros' time holds the nearer one, with a note."""
    line, findings = zero_line(
        RUN, [LIFT], reading("012", 10, lift=10.0), reading("016", 20, lift=40.0)
    )

    assert line is not None
    assert line.at(np.array([0.0, 3600.0])).tolist() == [[10.0, 40.0]]
    assert any("started outside the time between its zeros" in f.message for f in findings)


@pytest.mark.parametrize(
    ("run", "before_min", "after_min"),
    [(RUN, None, 5), (RUN, -5, None), (RUN, 5, -5), (RunClock("014", None), -5, 5)],
)
def test_without_times_the_mean_of_both_counts(
    run: RunClock, before_min: float | None, after_min: float | None
) -> None:
    """Missing or reversed times give the mean zero and a note."""
    line, findings = zero_line(
        run, [LIFT], reading("012", before_min, lift=10.0), reading("016", after_min, lift=40.0)
    )

    assert line is not None
    assert line.at(np.arange(3.0)).tolist() == [[25.0]]
    assert [f.code for f in findings if f.severity == "note"] == ["zero-times"]
    assert "the mean of both zeros was used" in findings[-1].message


@pytest.mark.parametrize("side", ["before", "after", "both the same"])
def test_one_zero_is_constant(side: str) -> None:
    """A single wind-off run is subtracted as it is, without a drift to judge."""
    zero = reading("012", -10, lift=10.0)
    before, after = {
        "before": (zero, None),
        "after": (None, zero),
        "both the same": (zero, zero),
    }[side]

    line, findings = zero_line(RUN, [LIFT], before, after)

    assert line is not None
    assert line.at(np.arange(3.0)).tolist() == [[10.0]]
    assert (line.runs, findings) == (("012",), ())


def test_no_zero_is_none() -> None:
    """Without readings there is no line."""
    assert zero_line(RUN, [LIFT], None, None) == (None, ())


@pytest.mark.parametrize(
    ("drift_n", "severity"), [(1.0, None), (5.0, "note"), (12.4, "note"), (12.6, "warning")]
)
def test_drift_is_judged_by_full_scale(drift_n: float, severity: str | None) -> None:
    """Of 2500 N: 0.1 % is worth a note, 0.5 % a warning."""
    _, findings = zero_line(
        RUN, [LIFT], reading("012", -5, lift=0.0), reading("016", 5, lift=drift_n)
    )

    assert [f.severity for f in findings] == ([severity] if severity else [])


def test_drift_finding_states_value_and_share() -> None:
    """−25 N of 2500 N is 1 % of full scale."""
    _, (finding,) = zero_line(
        RUN, [LIFT], reading("012", -5, lift=0.0), reading("016", 5, lift=-25.0)
    )

    assert (finding.code, finding.run, finding.channel) == ("zero-drift", "014", "lift")
    assert finding.message == "lift drifted by -25 N between its zeros, 1 % of full scale"


def test_drift_without_full_scale_is_a_value() -> None:
    """Channels whose full scale is unknown share one note."""
    _, (finding,) = zero_line(
        RUN, [DRAG], reading("012", -5, drag=1.0), reading("016", 5, drag=1.5)
    )

    assert (finding.severity, finding.channel) == ("note", None)
    assert finding.message == "drift between the zeros: drag +0.5 N"


def test_a_channel_that_the_zero_lacks_is_named() -> None:
    """Its zero is taken as nought, and a warning says so."""
    line, (finding,) = zero_line(RUN, [LIFT, DRAG], reading("012", -5, lift=3.0), None)

    assert line is not None
    assert line.at(np.zeros(1)).tolist() == [[3.0], [0.0]]
    assert (finding.code, finding.channel) == ("zero-missing", "drag")
    assert "wind-off run 012 has no channel 'drag'" in finding.message


@pytest.mark.parametrize(
    ("channel", "expected"),
    [
        (LIFT, True),
        (TEMPERATURE, False),
        (Channel("q", 0, "dynamic pressure", "Pa", 1.0), True),
        (Channel("p", 0, "static pressure", "Pa", 1.0), False),
        (Channel("lift", 0, "lift", "1", 1.0), False),
    ],
)
def test_only_loads_have_a_zero(channel: Channel, expected: bool) -> None:
    """Air temperature does not vanish without wind; coefficients are zeroed already."""
    assert has_zero(channel) == expected
