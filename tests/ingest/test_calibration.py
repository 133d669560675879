"""A channel's unit and gain become one straight line in SI, or a message about the unit."""
# ruff: noqa: E501  # one case a line reads as the table it is

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.calibration import CalibrationFault, straight_line
from ingest.channel import MEASURES, Measures

# Expected lines: worked out by hand from the units' definitions.
LINES: list[tuple[Measures, str, str | float | None, str | None, float, float, str]] = [
    ("lift", "N", None, None, 1.0, 0.0, "N"),
    ("lift", "kN", None, None, 1000.0, 0.0, "N"),
    ("lift", "1", None, None, 1.0, 0.0, "1"),
    ("lift", "V", "250 N/V", None, 250.0, 0.0, "N"),
    ("lift", "mV", "250 N/V", None, 0.25, 0.0, "N"),
    ("lift", "V", "0.25 N/mV", None, 250.0, 0.0, "N"),
    ("lift", "V", 250, None, 250.0, 0.0, "N"),
    ("lift", "mV", 250, None, 0.25, 0.0, "N"),
    ("lift", "mV/V", "500 N/(mV/V)", None, 500.0, 0.0, "N"),
    ("lift", "count", "0.05 N/count", None, 0.05, 0.0, "N"),
    ("lift", "count", "0.05 N/count", "100 count", 0.05, -5.0, "N"),
    ("lift", "V", "250 N/V", "12 N", 250.0, 12.0, "N"),
    ("lift", "V", "0.2 1/V", None, 0.2, 0.0, "1"),
    ("lift", "V", "-250 N/V", None, -250.0, 0.0, "N"),
    ("pitch moment", "V", "3 Nm/V", None, 3.0, 0.0, "N m"),
    ("pressure", "hPa", None, None, 100.0, 0.0, "Pa"),
    ("pressure", "1", None, None, 1.0, 0.0, "1"),
    ("temperature", "degC", None, None, 1.0, 273.15, "K"),
    ("temperature", "V", "100 degC/V", "0 degC", 100.0, 273.15, "K"),
    ("temperature", "mV", "0.1 K/mV", None, 0.1, 0.0, "K"),
    ("acceleration", "g", None, None, 9.80665, 0.0, "m/s^2"),
    ("acceleration", "mV", "0.01 g/mV", None, 0.0980665, 0.0, "m/s^2"),
    ("air speed", "km/h", None, None, 1 / 3.6, 0.0, "m/s"),
    ("bridge", "mV/V", None, None, 1e-3, 0.0, "1"),
    ("reference", "mV", None, None, 1e-3, 0.0, "V"),
    ("other", "rpm", None, None, 0.10471975511965977, 0.0, "rad/s"),
    ("other", "kHz", None, None, 1000.0, 0.0, "Hz"),
    ("other", "V", "3 kPa/V", None, 3000.0, 0.0, "Pa"),
    ("other", "lux", None, None, 1.0, 0.0, "lux"),
    ("other", "V", "2 lux/V", None, 2.0, 0.0, "(V) (lux/V)"),
]


@pytest.mark.parametrize(("measures", "unit", "gain", "offset", "scale", "shift", "si_unit"), LINES)
def test_unit_and_gain_become_one_line(
    measures: Measures,
    unit: str,
    gain: str | float | None,
    offset: str | None,
    scale: float,
    shift: float,
    si_unit: str,
) -> None:
    """Scale, offset and unit are what the units' definitions give."""
    line = straight_line(measures, unit, gain, offset)

    assert line.scale == pytest.approx(scale, rel=1e-12)
    assert line.offset == pytest.approx(shift, rel=1e-12)
    assert line.unit == si_unit


FAULTS: list[tuple[Measures, dict[str, str], str, str]] = [
    ("lift", {"unit": "V", "gain": "250 Pa/V"}, "gain", "gain of a lift channel in volts must be N/V, got Pa/V"),
    ("lift", {"unit": "count", "gain": "2 N"}, "gain", "gain of a lift channel in counts must be N/count, got N"),
    ("yaw moment", {"unit": "mV/V", "gain": "2"}, "gain", "gain of a yaw moment channel in mV/V must be N m/(mV/V), got 1"),
    ("lift", {"unit": "V"}, "unit", "a lift channel in volts needs a gain in N/V, or a unit like N, got unit 'V' and no gain"),
    ("lift", {"unit": "mV/V"}, "unit", "a lift channel in mV/V needs a gain in N/(mV/V), or a unit like N"),
    ("lift", {"unit": "Pa"}, "unit", "a lift channel in pascals needs a gain in N/Pa"),
    ("pressure", {"unit": "count"}, "unit", "a pressure channel in counts needs a gain in Pa/count"),
    ("air speed", {"unit": "1"}, "unit", "an air speed channel in 1 needs a gain in m/s"),
    ("lift", {"unit": "wibble"}, "unit", "got 'wibble'; wanted a unit such as 'N/V'"),
    ("lift", {"unit": "V", "gain": "250 foo/V"}, "gain", "got 'foo/V'; wanted a unit such as 'N/V'"),
    ("lift", {"unit": "V", "gain": "0 N/V"}, "gain", "must not be zero, got '0 N/V'"),
    ("lift", {"unit": "N", "offset": "1 N"}, "offset", "only goes with a gain; remove it or state the gain"),
    ("lift", {"unit": "V", "gain": "2 N/V", "offset": "1 Pa"}, "offset", "must be the reading at zero in V or the value at a zero reading in N, got '1 Pa'"),
    ("lift", {"unit": "V", "gain": "2 N/V", "full_scale": "10 N"}, "full_scale", "full scale must be in the recording's unit V, got '10 N'"),
    ("lift", {"unit": "N", "full_scale": "0 N"}, "full_scale", "must be above zero, got '0 N'"),
]  # fmt: skip


@pytest.mark.parametrize(("measures", "stated", "key", "problem"), FAULTS)
def test_wrong_units_are_answered_with_the_right_one(
    measures: Measures, stated: dict[str, str], key: str, problem: str
) -> None:
    """The fault names its key and what the unit must be."""
    with pytest.raises(CalibrationFault) as caught:
        straight_line(measures, **stated)

    assert caught.value.key == key
    assert problem in caught.value.problem


@pytest.mark.parametrize("measures", MEASURES)
def test_anything_may_be_logged_in_volts_with_a_gain(measures: Measures) -> None:
    """Every kind of channel accepts a gain of its own unit per volt."""
    own = straight_line(measures, _own_unit(measures)).unit

    assert straight_line(measures, "V", f"2 {own}/V").unit == own


def _own_unit(measures: str) -> str:
    words = {"moment": "N m", "pressure": "Pa", "temperature": "K", "acceleration": "m/s^2"}
    words |= {"speed": "m/s", "velocity": "m/s", "bridge": "V", "reference": "V", "other": "V"}
    return next((unit for word, unit in words.items() if word in measures), "N")


@pytest.mark.parametrize(
    ("unit", "full_scale", "expected"),
    [
        ("V", "10 V", 10.0),
        ("mV", "10 V", 1e4),
        ("count", "32767 count", 32767.0),
        ("V", "5000 mV", 5.0),
    ],
)
def test_full_scale_is_kept_in_the_recordings_own_unit(
    unit: str, full_scale: str, expected: float
) -> None:
    """The clipping check compares raw samples."""
    line = straight_line("lift", unit, f"2 N/{unit}", None, full_scale)

    assert line.full_scale_raw == pytest.approx(expected, rel=1e-12)


@given(
    per_count=st.floats(1e-6, 1e3),
    at_zero=st.floats(-3e4, 3e4),
    load_n=st.floats(-1e4, 1e4),
)
def test_a_planted_calibration_is_recovered_from_counts(
    per_count: float, at_zero: float, load_n: float
) -> None:
    """Counts made from a known load by a known straight line give the load back."""
    counts = load_n / per_count + at_zero

    line = straight_line("lift", "count", f"{per_count!r} N/count", f"{at_zero!r} count")

    scatter = 1e-9 * per_count * (abs(counts) + abs(at_zero)) + 1e-12
    assert line.scale * counts + line.offset == pytest.approx(load_n, abs=scatter)
