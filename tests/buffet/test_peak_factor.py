"""Peak factors against the published values, closed forms and simulated Gaussian records."""

import csv
from pathlib import Path

import numpy as np
import pytest

from buffet.extremes.peak_factor import SpectralShape, davenport, grouped
from tests.thorough.extremes import RATE_HZ, Process, Resonance

PUBLISHED = Path(__file__).parent.parent / "published"


def published() -> list[tuple[float, float, float]]:
    """Periods, factor and scatter as printed."""
    with (PUBLISHED / "peak_factors.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [(float(r["periods"]), float(r["factor"]), float(r["scatter"])) for r in rows]


@pytest.mark.parametrize(("periods", "factor", "scatter"), published())
def test_davenports_values(periods: float, factor: float, scatter: float) -> None:
    """Half the last printed digit, and a little: one was rounded twice (3.22505 to 3.2251)."""
    assert davenport(periods) == pytest.approx((factor, scatter), abs=5.1e-5)


def test_no_peak_factor_without_periods() -> None:
    """ln 1 is zero."""
    with pytest.raises(ValueError, match="more than one period"):
        davenport(1.0)


def test_the_shape_of_white_noise_and_of_a_line() -> None:
    """White up to f_c: ν = f_c/√3, δ = 1/2, ∫S²/(∫S)² = 1/f_c. A line: ν its own, δ 0."""
    frequency_hz = np.arange(0.005, 20.0, 0.01)
    white = SpectralShape.of(frequency_hz, np.ones_like(frequency_hz))
    assert white is not None
    assert white.mean_frequency_hz == pytest.approx(20 / np.sqrt(3), rel=1e-4)
    assert white.bandwidth == pytest.approx(0.5, abs=1e-3)
    assert white.correlation_s == pytest.approx(1 / 20, rel=1e-4)
    line = SpectralShape.of(frequency_hz, np.where(np.arange(2000) == 800, 1.0, 0.0))
    assert line is not None
    assert line.mean_frequency_hz == pytest.approx(8.005)
    assert line.bandwidth == pytest.approx(0.0, abs=1e-6)
    assert SpectralShape.of(frequency_hz, -np.ones_like(frequency_hz)) is None


@pytest.mark.parametrize(
    ("process", "tolerance"),
    [
        (Process("white", 1.0), 0.03),
        (Process("Q 12", 0.001, (Resonance(8.0, 8 / 12, 1.0),)), 0.05),
    ],
    ids=lambda value: getattr(value, "name", ""),
)
def test_largest_values_of_simulated_records(process: Process, tolerance: float) -> None:
    """Means of 1,200 records of 10 s scatter by 0.012; in groups Davenport's is 0.16 too large."""
    samples = process.records(60, 200.0, np.random.default_rng(11))
    each = round(10 * RATE_HZ)
    largest = samples.reshape(-1, each).max(axis=1).mean()
    shape = process.shape
    periods = shape.mean_frequency_hz * 10
    assert grouped(periods, shape.bandwidth) == pytest.approx(largest, abs=tolerance)
    if shape.bandwidth < 0.3:
        assert davenport(periods)[0] - largest > 0.1
