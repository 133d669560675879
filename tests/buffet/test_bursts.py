"""How bursty a wake is, against the largest seconds of many simulated drives."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.perception.largest_running import DRIVING_TIME_S
from buffet.rating.bursts import log_ratio
from buffet.rating.seat_history import SeatHistory

Array = NDArray[np.float64]

RATE_HZ = 50.0
RECORD_S = 400.0


def shaken(rng: np.random.Generator, seconds: float, low_hz: float, high_hz: float) -> Array:
    """Gaussian noise of a band, RMS 1."""
    n = round(seconds * RATE_HZ)
    frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    inside = (frequency_hz > low_hz) & (frequency_hz < high_hz)
    spectrum = np.where(inside, rng.normal(size=len(inside)) + 1j * rng.normal(size=len(inside)), 0)
    return np.asarray(np.fft.irfft(spectrum, n) * n / np.sqrt(4 * inside.sum()))


def bursty(rng: np.random.Generator, seconds: float) -> Array:
    """Three times as strong for 2 s, ten times a minute on average."""
    n = round(seconds * RATE_HZ)
    strong = np.zeros(n, bool)
    for start in rng.uniform(0, n, rng.poisson(seconds / 6)).astype(int):
        strong[start : start + round(2 * RATE_HZ)] = True
    return shaken(rng, seconds, 3.0, 6.0) * np.where(strong, 3.0, 1.0)


def largest_mean_square(values: Array) -> float:
    """Of any second of a drive, over the drive's own mean square."""
    total = np.concatenate([[0], np.cumsum(values**2)])
    n = round(RATE_HZ)
    return float((total[n:] - total[:-n]).max() / n / np.mean(values**2))


def history(values: Array) -> SeatHistory:
    """As the rating has it."""
    return SeatHistory(RATE_HZ, values)


@pytest.mark.parametrize("band", [(1.0, 20.0), (4.0, 5.0)], ids=["wide", "narrow"])
def test_a_steady_wake_has_a_ratio_of_one(band: tuple[float, float]) -> None:
    """Over thirty records, within the 3 % (of an r.m.s.) by which the reference may be too high."""
    rng = np.random.default_rng(3)
    found = np.array(
        [
            log_ratio([history(shaken(rng, RECORD_S, *band))], rng) or (np.nan, np.nan)
            for _ in range(30)
        ]
    )
    error = found[:, 0].std(ddof=1)
    assert -0.06 - 2.5 * error / np.sqrt(30) < found[:, 0].mean() < 2.5 * error / np.sqrt(30)
    assert error == pytest.approx(np.sqrt(found[:, 1].mean()), rel=0.5)
    assert error < 0.12


def test_bursts_raise_the_largest_second_as_many_drives_show() -> None:
    """Forty drives of ten minutes of either wake, by their own largest seconds."""
    rng = np.random.default_rng(4)
    drives = [largest_mean_square(bursty(rng, DRIVING_TIME_S)) for _ in range(40)]
    steady = [largest_mean_square(shaken(rng, DRIVING_TIME_S, 3.0, 6.0)) for _ in range(40)]
    expected = np.log(np.mean(drives) / np.mean(steady))
    found = np.array(
        [log_ratio([history(bursty(rng, RECORD_S))], rng) or (np.nan, np.nan) for _ in range(40)]
    )
    assert expected > 0.5
    assert found[:, 0].mean() == pytest.approx(expected, abs=0.08)
    inside = np.abs(found[:, 0] - expected) < 2 * np.sqrt(found[:, 1])
    assert inside.mean() > 0.7


def test_short_records_tell_nothing() -> None:
    """Seven blocks of ten seconds."""
    rng = np.random.default_rng(5)
    assert log_ratio([history(shaken(rng, 79.0, 1.0, 20.0))], rng) is None
