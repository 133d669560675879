"""Lines at stated rates of fan, belt and wheels, and of the mains."""

from __future__ import annotations

from math import pi

import pytest

from buffet.interval import Interval
from buffet.peak_classes import peak_class
from buffet.rotation import mains_source, rotation_source
from buffet.spectral.tracks import FIXED, SCALES, UNDECIDED, ClassName, Verdict
from ingest import Rotation

# 12.25 turns a second and twelve blades: 147 Hz; a loop of 16 m; wheels of 1 m girth at 30 m/s.
TUNNEL = Rotation(fan_hz=12.25, blades=12, belt_length_m=16.0, wheel_diameter_m=1 / pi)
WIND_M_S = 30.0


def line(frequency_hz: float) -> Interval:
    """Known to 0.05 %."""
    return Interval(frequency_hz, frequency_hz * 0.9995, frequency_hz * 1.0005)


@pytest.mark.parametrize(
    ("frequency_hz", "named"),
    [
        (147.0, "fan blades passing (147 Hz)"),
        (294.4, "fan blades passing (2 x 147 Hz)"),
        (12.27, "fan shaft (12.25 Hz)"),
        (1.875, "belt passing (1.875 Hz)"),
        (5.65, "belt passing (3 x 1.875 Hz)"),
        (29.8, "wheels turning (30 Hz)"),
        (60.3, "wheels turning (2 x 30 Hz)"),
        (149.0, "None"),
        (21.0, "None"),
    ],
)
def test_a_line_is_named_for_what_turns(frequency_hz: float, named: str) -> None:
    """Base rate and multiple by hand: 30 m/s over 16 m are 1.875 a second."""
    assert str(rotation_source(line(frequency_hz), TUNNEL, WIND_M_S)) == named


def test_nothing_stated_names_nothing() -> None:
    """Nor a fan that stands."""
    assert rotation_source(line(147.0), Rotation(), WIND_M_S) is None
    assert rotation_source(line(147.0), Rotation(fan_hz=0.0, blades=12), WIND_M_S) is None


@pytest.mark.parametrize(
    ("frequency_hz", "named"),
    [
        (50.03, "mains (50 Hz)"),
        (59.9, "mains (60 Hz)"),
        (150.2, "mains (3 x 50 Hz)"),
        (300.0, "mains (5 x 60 Hz)"),
        (55.0, "None"),
    ],
)
def test_mains_of_both_frequencies_are_known(frequency_hz: float, named: str) -> None:
    """With multiples; of two that agree the lower one."""
    assert str(mains_source(line(frequency_hz))) == named


@pytest.mark.parametrize(
    ("name", "named"),
    [
        (FIXED, "mains (50 Hz)"),
        (SCALES, "belt passing (50 Hz)"),
        (UNDECIDED, "belt passing (50 Hz)"),
    ],
)
def test_the_class_chooses_between_mains_and_what_turns(name: ClassName, named: str) -> None:
    """A line at 50.1 Hz with a belt that passes 50.1 times a second: only mains keep still."""
    belt = Rotation(belt_length_m=1.0, belt_speed_m_s=50.02)

    found = peak_class(Verdict(name, "because"), line(50.02), True, belt, WIND_M_S)

    assert str(found.source).replace("50.02", "50") == named
    assert found.why == f"because; it matches {found.source}"
    assert not found.may_be_wake


def test_a_broad_peak_is_no_rotation() -> None:
    """Whatever its frequency; where it scales it is flow, with the jet's pulsation in mind."""
    found = peak_class(Verdict(SCALES, "because"), line(147.0), False, TUNNEL, WIND_M_S)

    assert found.source is None
    assert found.may_be_wake
    assert "only a reference probe tells" in found.why


@pytest.mark.parametrize(
    ("name", "narrow", "meaning"),
    [
        (SCALES, True, "may be fan, belt or wheel"),
        (FIXED, True, "a line of the rig or its electronics"),
        (FIXED, False, "a resonance of the rig"),
    ],
)
def test_a_peak_without_a_source_says_what_it_may_be(
    name: ClassName, narrow: bool, meaning: str
) -> None:
    """By class and width."""
    found = peak_class(Verdict(name, "because"), line(21.0), narrow, Rotation(), WIND_M_S)

    assert found.source is None
    assert meaning in found.why
