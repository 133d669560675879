"""The balance's resonance and the band it leaves."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.signal

from ingest import Channel, CorrectionBounds, RigResponse
from ingest.rig import balance_gain

LIFT = Channel("lift", 0, "lift", "N", 1.0, natural_frequency_hz=38.0, damping=0.02)
MASS_KG = 60.0
ON_MODEL = dataclasses.replace(LIFT, inertial=(("heave", MASS_KG),))


def test_the_gain_undoes_the_oscillator() -> None:
    """One over scipy's frequency response of m x'' + c x' + k x = k F, with m = 1."""
    omega = 2.0 * np.pi * 38.0
    frequency_hz = np.linspace(0.0, 100.0, 201)
    _, response = scipy.signal.freqs(
        [omega**2], [1.0, 2.0 * 0.02 * omega, omega**2], worN=2.0 * np.pi * frequency_hz
    )

    np.testing.assert_allclose(balance_gain(frequency_hz, LIFT), 1 / response, rtol=1e-9)


def test_an_accelerometer_takes_the_place_of_the_inertia() -> None:
    """Gain times scipy's k x, plus m a, is the force at all frequencies, resonance included."""
    omega = 2.0 * np.pi * 38.0
    frequency_hz = np.linspace(0.0, 100.0, 201)
    stiffness, damping = MASS_KG * omega**2, 2.0 * 0.02 * omega * MASS_KG
    turning = 2.0 * np.pi * frequency_hz
    _, displacement = scipy.signal.freqs([1.0], [MASS_KG, damping, stiffness], worN=turning)

    reading = balance_gain(frequency_hz, ON_MODEL) * stiffness * displacement
    force = reading - MASS_KG * turning**2 * displacement

    np.testing.assert_allclose(force, 1.0, rtol=1e-9)


def test_gain_at_rest_at_resonance_and_without_one() -> None:
    """1 at zero frequency; 2 ζ, a quarter turn early, at the natural frequency; 1 if none."""
    at = np.array([0.0, 38.0])

    assert balance_gain(at, LIFT) == pytest.approx(np.array([1.0, 0.04j]))
    assert balance_gain(at, Channel("drag", 0, "drag", "N", 1.0)) == pytest.approx(np.ones(2))


@pytest.mark.parametrize(
    ("natural_hz", "cutoff_hz", "expected"),
    [(100.0, 200.0, 80.0), (None, 200.0, 140.0), (None, None, 250.0), (400.0, 300.0, 210.0)],
)
def test_the_lowest_limit_counts(
    natural_hz: float | None, cutoff_hz: float | None, expected: float
) -> None:
    """The lowest counts: 0.8 of the resonance, 0.7 of the cutoff, or Nyquist (at 500 Hz)."""
    channel = Channel("lift", 0, "lift", "N", 1.0, natural_frequency_hz=natural_hz)

    assert RigResponse(500.0, cutoff_hz).usable_to_hz(channel) == pytest.approx(expected)


def test_an_accelerometer_lifts_the_resonances_limit() -> None:
    """38 Hz no longer ends the band; the filter's 0.7 x 200 Hz does."""
    rig = RigResponse(500.0, 200.0)
    assert rig.usable_to_hz(LIFT) == pytest.approx(30.4)
    assert rig.usable_to_hz(ON_MODEL) == pytest.approx(140.0)


def test_a_stated_share_of_the_resonance_counts() -> None:
    """Half of 38 Hz instead of 0.8 of it."""
    rig = RigResponse(500.0, 200.0, CorrectionBounds(usable_share_of_resonance=0.5))
    assert rig.usable_to_hz(LIFT) == pytest.approx(19.0)
