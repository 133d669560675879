"""Measures of a weighted vibration against closed forms and what ISO 8041-1 prints."""

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.perception import (
    VibrationRecordError,
    estimated_dose,
    measures,
    rms,
    running_rms,
    vibration_dose,
)

RATE_HZ = 1000.0
Array = NDArray[np.float64]


def _sine(amplitude: float, frequency_hz: float, duration_s: float) -> Array:
    time = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    return np.asarray(amplitude * np.sin(2 * np.pi * frequency_hz * time))


def test_a_sinusoid_measures_as_its_closed_form() -> None:
    """R.m.s. A/√2, crest factor √2, MTVV the r.m.s., VDV A (3T/8)^(1/4)."""
    found = measures(_sine(0.3, 5.0, 16.0), RATE_HZ)

    assert found.duration_s == 16.0
    assert found.rms_m_s2 == pytest.approx([0.3 / 2**0.5])
    assert found.crest_factor == pytest.approx([2**0.5])
    assert found.largest_running_rms_m_s2 == pytest.approx([0.3 / 2**0.5])
    assert found.dose_m_s1_75 == pytest.approx([0.3 * (3 / 8 * 16) ** 0.25])
    assert found.estimated_dose_m_s1_75 == pytest.approx([1.4 * 0.3 / 2**0.5 * 2])
    assert found.rms_is_enough.tolist() == [True]


def test_measures_carry_the_units_that_they_name() -> None:
    """Twice the acceleration doubles all; 16 times the duration doubles the dose alone."""
    record = np.random.default_rng(1).standard_normal(4000)

    one, twice = measures(record, RATE_HZ), measures(2 * record, RATE_HZ)
    long = measures(np.tile(record, 16), RATE_HZ)

    for name in ("rms_m_s2", "peak_m_s2", "largest_running_rms_m_s2", "dose_m_s1_75"):
        assert getattr(twice, name) == pytest.approx(2 * getattr(one, name))
    assert long.dose_m_s1_75 == pytest.approx(2 * one.dose_m_s1_75)
    assert long.rms_m_s2 == pytest.approx(one.rms_m_s2)
    assert estimated_dose(1.0, 16.0) == pytest.approx(2.8)


def test_the_dose_of_gaussian_vibration() -> None:
    """The fourth moment is 3 σ⁴, so that the dose is 3^(1/4) σ T^(1/4), and no test is exceeded."""
    record = np.random.default_rng(2).standard_normal(400_000)

    found = measures(record, RATE_HZ)

    assert found.dose_m_s1_75 == pytest.approx([(3 * 400) ** 0.25], rel=0.005)
    assert found.rms_is_enough.all()


def test_the_running_value_is_the_rms_of_each_window() -> None:
    """As numpy has it window by window."""
    record = np.random.default_rng(3).standard_normal((2, 300))

    found = running_rms(record, 50.0, 0.5)

    windows = np.lib.stride_tricks.sliding_window_view(record, 25, axis=-1)
    assert found.shape == (2, 276)
    assert found == pytest.approx(rms(windows))


def test_the_running_value_falls_to_a_tenth_as_printed() -> None:
    """Linear over 1 s: 0.99 ± 0.05 s after the end of a tone (ISO 8041-1:2017, transcribed)."""
    record = np.concatenate([_sine(1.0, 15.915, 5.0), np.zeros(3000)])

    found = running_rms(record, RATE_HZ)

    after = found[4000:]  # windows that end 5 s on
    fallen = np.flatnonzero(after <= 0.1 * after[0])[0] / RATE_HZ
    assert fallen == pytest.approx(0.99, abs=0.05)


def test_a_burst_shorter_than_the_window() -> None:
    """Half a second of ±1 within 1 s has a running r.m.s. of √½."""
    record = np.zeros(10_000)
    record[4000:4500] = 1.0

    assert measures(record, RATE_HZ).largest_running_rms_m_s2 == pytest.approx([0.5**0.5])


def test_shocks_exceed_every_test() -> None:
    """One knock in a minute: crest factor √60000, ratios √60 and 60000^(1/4), each by hand."""
    record = np.zeros((2, 60_000))
    record[0, 30_000] = 5.0
    record[1] = _sine(1.0, 4.0, 60.0)

    found = measures(record, RATE_HZ)

    tests = {test.measure: test for test in found.basic_method_tests}
    crest = tests["crest factor"]
    running = tests["largest running r.m.s. over r.m.s."]
    dose = tests["vibration dose over that of a steady r.m.s."]
    assert (crest.limit, running.limit, dose.limit) == (9.0, 1.5, 1.75)
    assert (crest.section, running.section, dose.section) == ("6.2.2", "6.3.3", "6.3.3")
    assert crest.value[0] == pytest.approx(60_000**0.5)
    assert running.value[0] == pytest.approx(60**0.5)
    assert dose.value[0] == pytest.approx(60_000**0.25)
    assert all(test.is_exceeded.tolist() == [True, False] for test in tests.values())
    assert found.rms_is_enough.tolist() == [False, True]


def test_nothing_moves() -> None:
    """A dead channel has no crest factor, and no test speaks against its r.m.s. value."""
    found = measures(np.zeros(2000), RATE_HZ)

    assert np.isnan(found.crest_factor).all()
    assert found.rms_m_s2.tolist() == found.dose_m_s1_75.tolist() == [0.0]
    assert found.rms_is_enough.all()


def test_results_cannot_be_changed() -> None:
    """Arrays are locked."""
    found = measures(np.ones(2000), RATE_HZ)

    with pytest.raises(ValueError, match="read-only"):
        found.rms_m_s2[0] = 1.0


def test_a_record_shorter_than_the_window_is_refused() -> None:
    """With how long it is."""
    with pytest.raises(VibrationRecordError, match=r"over 1 s needs.*900 samples at 1000 Hz \(0.9"):
        measures(np.ones(900), RATE_HZ)


def test_the_dose_of_several_channels() -> None:
    """Time is last, whatever comes before."""
    record = np.ones((2, 3, 160))

    assert vibration_dose(record, 10.0) == pytest.approx(np.full((2, 3), 2.0))
