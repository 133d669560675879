"""The Hann window's constants and what overlap does to statistics, against published tables."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy import signal, stats

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings
from buffet.spectral.window import (
    HANN_BIN_INFORMATION,
    HANN_NOISE_BANDWIDTH_BINS,
    HANN_OVERLAP_CORRELATION,
    chi2_factors,
    degrees_of_freedom,
    effective_segments,
    hann,
    line_shape,
    spectral_kernel,
)

PUBLISHED = Path(__file__).parent.parent / "published"


def rows(name: str) -> list[dict[str, str]]:
    """A published table, values as printed."""
    with (PUBLISHED / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def half_a_digit(printed: str) -> float:
    """Half a unit in the last printed digit."""
    decimals = len(printed.partition(".")[2])
    return 0.5 * 10.0**-decimals * 1.0001


@pytest.mark.parametrize("row", rows("hann_window.csv"), ids=lambda row: row["quantity"])
def test_hann_constants_are_harriss(row: dict[str, str]) -> None:
    """Harris 1978, Table I."""
    values = {
        "noise_bandwidth_bins": HANN_NOISE_BANDWIDTH_BINS,
        "scallop_loss_db": -10 * np.log10(line_shape(np.array([0.5]))[0] * 1.5),
        "overlap_correlation_percent": 100 * HANN_OVERLAP_CORRELATION,
    }
    printed = row["printed"]
    assert values[row["quantity"]] == pytest.approx(float(printed), abs=half_a_digit(printed))


@pytest.mark.parametrize("n", [4, 7, 100, 1024])
def test_the_window_is_scipys_periodic_hann(n: int) -> None:
    """Even and odd lengths."""
    np.testing.assert_allclose(hann(n), signal.windows.hann(n, sym=False), atol=1e-15)


@pytest.mark.parametrize("row", rows("welch_degrees_of_freedom.csv"), ids=lambda r: r["segments"])
def test_effective_segments_are_welchs(row: dict[str, str]) -> None:
    """Welch 1967 for the Hann window at half overlap."""
    printed = row["effective_segments"]
    expected = pytest.approx(float(printed), abs=half_a_digit(printed))
    assert effective_segments(int(row["segments"])) == expected
    assert degrees_of_freedom(int(row["segments"])) / 2 == expected


def test_no_segments_are_worth_nothing() -> None:
    """Instead of a division by zero."""
    assert effective_segments(0) == 0.0


@pytest.mark.parametrize("row", rows("chi2_factors.csv"), ids=lambda row: row["segments"])
@pytest.mark.parametrize("level", [95, 90])
def test_confidence_factors_are_those_of_chi_squared(row: dict[str, str], level: int) -> None:
    """Bendat & Piersol's limits of an autospectrum, values from another library."""
    found = chi2_factors(2 * float(row["segments"]), level / 100)
    for side, value in zip(("low", "high"), found, strict=True):
        printed = row[f"{side}_{level}"]
        assert value == pytest.approx(float(printed), abs=half_a_digit(printed))


def test_a_fractional_number_of_degrees_is_allowed() -> None:
    """K = 19 half-overlapping segments have 36.1 degrees of freedom; scipy.stats as reference."""
    expected = 36.1 / stats.chi2.ppf([0.975, 0.025], 36.1)
    np.testing.assert_allclose(chi2_factors(36.1), expected, rtol=1e-9)


def test_the_scatter_of_a_psd_is_what_its_effective_segments_say() -> None:
    """3000 records of white noise, K = 19: relative standard deviation 1/sqrt(18.05) = 0.2354.

    Each bin away from the ends has a standard error of 1.3 %; over 30 bins of which a bit
    more than half are independent the mean deviation is known to 0.4 %.
    """
    rng = np.random.default_rng(1967)
    engine = SegmentEngine(3000, SegmentSettings(1.0, 64))
    engine.push(rng.standard_normal((3000, 32 * 20)))
    psd = engine.finish().psd[:, 2:-2]
    scatter = np.sqrt(np.mean(psd.var(axis=0) / psd.mean(axis=0) ** 2))
    assert scatter == pytest.approx(0.23538, rel=0.02)


def test_neighbouring_bins_carry_18_35ths_of_their_number() -> None:
    """Variance of a wide band's sum over that of as many independent bins, by simulation."""
    rng = np.random.default_rng(35)
    power = np.abs(np.fft.rfft(rng.standard_normal((4000, 512)) * hann(512))[:, 20:220]) ** 2
    share = power.var(axis=0).sum() / power.sum(axis=1).var()
    edge = 1 - (2 * (4 / 9) + 4 / 36) / 200 * HANN_BIN_INFORMATION  # the outer bins' missing pairs
    assert share * edge == pytest.approx(HANN_BIN_INFORMATION, rel=0.06)


def test_a_band_sum_scatters_as_half_of_a_pair_of_windows() -> None:
    """Parseval: the whole sum is Σ w² x², whose relative variance 2 Σ w⁴ / (Σ w²)² n is known.

    For the Hann window Σ w⁴ / n = 35/128 and Σ w² / n = 3/8, so bins are worth
    (3/8)² / (35/128) = 18/35 of their number.
    """
    window = hann(4096)
    assert np.mean(window**2) ** 2 / np.mean(window**4) == pytest.approx(HANN_BIN_INFORMATION)


@pytest.mark.parametrize("offset", [0.0, 0.2, 0.5, 0.77, 1.0])
def test_the_shape_of_a_line_is_its_transform(offset: float) -> None:
    """A windowed sinusoid transformed numerically; shares of all bins sum to one."""
    n = 256
    phase = 2 * np.pi * (60 + offset) * np.arange(n) / n
    power = np.abs(np.fft.fft(np.exp(1j * phase) * hann(n))) ** 2
    bins = np.arange(50, 71)
    shares = line_shape(np.asarray(bins - 60.0 - offset, float))
    np.testing.assert_allclose(shares, power[bins] / power.sum(), atol=2e-7)
    assert line_shape(np.arange(-200.0, 201.0) - np.float64(offset)).sum() == pytest.approx(
        1, abs=1e-9
    )


@pytest.mark.parametrize("oversampling", [1, 4, 8])
def test_the_kernel_sums_to_one_and_is_even(oversampling: int) -> None:
    """Smoothing keeps a flat spectrum flat."""
    kernel = spectral_kernel(oversampling)
    assert len(kernel) == 8 * oversampling + 1
    assert kernel.sum() == pytest.approx(1, abs=1e-12)
    np.testing.assert_allclose(kernel, kernel[::-1], atol=1e-18)
