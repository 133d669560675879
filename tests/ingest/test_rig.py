"""The balance's resonance and the band it leaves."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from ingest import Channel, balance_response, usable_to_hz


def test_response_is_the_oscillators() -> None:
    """scipy's frequency response of m x'' + c x' + k x = k F, with m = 1."""
    natural_hz, damping = 38.0, 0.02
    omega = 2.0 * np.pi * natural_hz
    frequency_hz = np.linspace(0.0, 100.0, 201)
    _, expected = scipy.signal.freqs(
        [omega**2], [1.0, 2.0 * damping * omega, omega**2], worN=2.0 * np.pi * frequency_hz
    )

    np.testing.assert_allclose(
        balance_response(frequency_hz, natural_hz, damping), expected, rtol=1e-9
    )


def test_response_at_rest_and_at_resonance() -> None:
    """1 at zero frequency; 1 / (2 ζ), a quarter turn late, at the natural frequency."""
    response = balance_response(np.array([0.0, 38.0]), 38.0, 0.02)

    assert response == pytest.approx(np.array([1.0, -25.0j]))


@pytest.mark.parametrize(
    ("natural_hz", "cutoff_hz", "expected"),
    [(100.0, 200.0, 80.0), (None, 200.0, 140.0), (None, None, 250.0), (400.0, 300.0, 210.0)],
)
def test_the_lowest_limit_counts(
    natural_hz: float | None, cutoff_hz: float | None, expected: float
) -> None:
    """The lowest counts: 0.8 of the resonance, 0.7 of the cutoff, or Nyquist (at 500 Hz)."""
    channel = Channel("lift", 0, "lift", "N", 1.0, natural_frequency_hz=natural_hz)

    assert usable_to_hz(channel, 500.0, cutoff_hz) == pytest.approx(expected)
