"""How a value and its limits are written."""

from __future__ import annotations

import pytest

from buffet.interval import Interval


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (1.518, 1.457, 1.582, "1.52 (1.46 to 1.58)"),  # half-width 0.06: one digit
        (0.2001, 0.1984, 0.2018, "0.2001 (0.1984 to 0.2018)"),  # 0.0017: two digits
        (1234.0, 1180.0, 1290.0, "1234 (1180 to 1290)"),
        (3.05e-9, 2.97e-9, 3.13e-9, "3.05 (2.97 to 3.13)e-09"),
        (0.0, 0.0, None, "0"),
        (0.0, 0.0, 0.0123, "0 (up to 0.012)"),
        (60.0, 57.5, None, "60.0 (57.5 to ?)"),
        (0.5, 0.5, 0.5, "0.500 (0.500 to 0.500)"),
        (-1e-5, -0.1, 0.1, "0.00 (-0.10 to 0.10)"),  # no minus before a zero
    ],
)
def test_text_shows_no_more_than_the_interval_warrants(
    value: float, low: float | None, high: float | None, text: str
) -> None:
    """One digit of the half-width, two where it begins with 1 or 2."""
    assert Interval(value, low, high).text() == text


def test_text_takes_a_unit_and_a_sign() -> None:
    """A speed in km/h, a change with its sign."""
    assert Interval(10.0, 9.5, 10.5).text(factor=3.6, between="…") == "36.0 (34.2…37.8)"
    assert Interval(0.5, -0.1, 1.1).text(sign=True) == "+0.5 (-0.1 to +1.1)"


@pytest.mark.parametrize(
    ("value", "half", "text"),
    [(0.32028, 0.00011, "0.32028 ± 0.00011"), (2.0e-8, 3.0e-9, "(2.0 ± 0.3)e-08")],
)
def test_symmetric_text(value: float, half: float, text: str) -> None:
    """A mean with its half-width."""
    assert Interval(value, value - half, value + half).plus_minus() == text


def test_scaling_keeps_the_level() -> None:
    """Limits that are not there stay so."""
    assert Interval(2.0, None, 3.0, 0.9).scaled(2.0) == Interval(4.0, None, 6.0, 0.9)
