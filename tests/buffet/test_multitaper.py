"""Thomson's multitaper against published values, other computations and planted signals."""

from __future__ import annotations

import csv
from math import exp

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal, stats

from buffet.spectral.multitaper import (
    TAPERS,
    adaptive_psd,
    curvature_allowance,
    f_ratio,
    frequency_scatter,
    line_power,
    minus_log_p,
    tapers,
    transforms,
)
from buffet.spectral.tapers import TaperAccumulator, TaperSettings, TaperSpectra, stretch_settings
from tests.buffet.test_window import PUBLISHED, half_a_digit

Array = NDArray[np.float64]

RATE_HZ = 100.0


def rows(quantity: str) -> list[dict[str, str]]:
    """Rows of the published table, values as printed."""
    with (PUBLISHED / "multitaper.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["quantity"] == quantity]


def spectra(samples: Array, stretch: int, block: int = 10_000) -> TaperSpectra:
    """Of records as channels, over all bins but the lowest."""
    cut = TaperSettings(RATE_HZ, stretch, 10 * RATE_HZ / stretch, RATE_HZ / 2, np.inf)
    accumulator = TaperAccumulator(len(samples), cut)
    for start in range(0, samples.shape[1], block):
        accumulator.push(samples[:, start : start + block])
    return accumulator.finish()


@pytest.mark.parametrize("row", rows("eigenvalue"), ids=lambda r: f"{r['first']}-{r['second']}")
def test_tapers_concentrate_as_published(row: dict[str, str]) -> None:
    """Eigenvalues of the discrete prolate spheroidal sequences."""
    n_samples = {"4": 1024, "2.5": 512}[row["first"]]
    made = tapers(n_samples, float(row["first"]), int(row["second"]) + 1)
    assert made.concentration[-1] == pytest.approx(
        float(row["value"]), abs=half_a_digit(row["value"])
    )


@pytest.mark.parametrize("row", rows("threshold"), ids=lambda r: f"{r['first']}-{r['second']}")
def test_thresholds_of_f_are_those_published(row: dict[str, str]) -> None:
    """The probability has its level between the printed value's neighbours in its last digit."""
    at, half, count = float(row["value"]), half_a_digit(row["value"]), int(row["first"])
    above, below = (exp(-float(minus_log_p(np.array(x), count))) for x in (at - half, at + half))
    assert below <= 1 - float(row["second"]) <= above


def test_psd_is_that_of_another_library_with_the_same_weights() -> None:
    """Where nothing leaks the weights are the reciprocals of the concentrations."""
    samples = np.random.default_rng(2).standard_normal(1000)
    made = tapers(1000)
    psd, _ = adaptive_psd(transforms(samples, made, slice(1, 500)), made, 0.0, RATE_HZ)
    single = [
        signal.periodogram(samples, RATE_HZ, window, detrend=False)[1][1:500]
        for window in made.windows
    ]
    np.testing.assert_allclose(psd, np.average(single, axis=0, weights=1 / made.concentration))


def test_psd_of_white_noise_integrates_to_its_variance() -> None:
    """And is flat at 2 σ² over the rate, with nearly all of 2 K degrees of freedom."""
    samples = 3 * np.random.default_rng(3).standard_normal((20, 8192))
    found = spectra(samples, 2048)
    assert found.psd.mean() == pytest.approx(2 * 9 / RATE_HZ, rel=0.01)
    assert found.psd.mean() * RATE_HZ / 2 == pytest.approx(samples.var(), rel=0.01)
    assert found.degrees_of_freedom.mean() == pytest.approx(4 * 2 * TAPERS, rel=0.03)
    scatter = found.psd.var() / found.psd.mean() ** 2
    assert 2 / scatter == pytest.approx(found.degrees_of_freedom.mean(), rel=0.05)


def test_adaptive_weights_keep_a_strong_band_out_of_a_weak_one() -> None:
    """A process of 80 dB range, of known density; equal weights are off where it is weak."""
    rng = np.random.default_rng(4)
    filtered = signal.butter(6, 0.2, output="sos")
    samples = signal.sosfilt(filtered, rng.standard_normal((30, 3048)))[:, 1000:]
    found = spectra(samples, 2048)
    _, response = signal.sosfreqz(filtered, found.frequency_hz, fs=RATE_HZ)
    truth = 2 / RATE_HZ * np.abs(response) ** 2
    weak = (found.frequency_hz > 25) & (found.frequency_hz < 40)
    np.testing.assert_allclose(np.mean(found.psd[:, weak] / truth[weak]), 1, rtol=0.1)
    last = tapers(2048).windows[-1]
    leaked = signal.periodogram(samples, RATE_HZ, last, detrend=False)[1][:, found.settings.bins]
    assert np.mean(leaked[:, weak] / truth[weak]) > 2
    assert found.degrees_of_freedom[:, weak].mean() < 2 * TAPERS


def test_f_of_white_noise_has_its_distribution() -> None:
    """A twentieth above the 95 % point of F(2, 2 K - 2), a hundredth above the 99 % point."""
    samples = np.random.default_rng(5).standard_normal((40, 1024))
    made = tapers(1024)
    each = [transforms(one, made, slice(8, -8)) for one in samples]
    ratios = np.array([f_ratio(line_power(y, made), np.sum(np.abs(y) ** 2, axis=0)) for y in each])
    for level, value in ((0.05, 3.8853), (0.01, 6.9266)):  # of the published table
        assert np.mean(ratios > value) == pytest.approx(level, rel=0.15)


def test_stretches_add_up_as_fisher_has_it() -> None:
    """Each stretch's p by another library, combined by another library."""
    samples = np.random.default_rng(6).standard_normal((1, 3 * 512))
    together = spectra(samples, 512)
    single = [spectra(samples[:, i : i + 512], 512) for i in (0, 512, 1024)]
    each = np.array([stats.f.sf(one.f_ratio[0], 2, 2 * TAPERS - 2) for one in single])
    wanted = [stats.combine_pvalues(column).pvalue for column in each.T]
    np.testing.assert_allclose(together.p_values[0], wanted, rtol=1e-4)
    p_value = float(together.p_values[0, 7])
    assert together.threshold(p_value) == pytest.approx(together.f_ratio[0, 7], rel=1e-4)


@pytest.mark.parametrize("block", [1, 700, 5000])
def test_blocks_of_any_size_give_the_same(block: int) -> None:
    """What does not fill a stretch is left out."""
    samples = np.random.default_rng(7).standard_normal((2, 2500))
    cut, whole = spectra(samples, 1000, block), spectra(samples[:, :2000], 1000)
    assert cut.n_stretches == 2
    np.testing.assert_allclose(cut.psd, whole.psd)
    np.testing.assert_allclose(cut.evidence, whole.evidence)


def test_a_line_shows_its_variance_and_the_noise_under_it() -> None:
    """A²/2 of a planted sine, and the white noise's density beside it."""
    time_s = np.arange(4000) / RATE_HZ
    noise = np.random.default_rng(8).standard_normal((50, 4000))
    found = spectra(0.5 * np.sin(2 * np.pi * 13.37 * time_s) + noise, 2000)
    place = int(np.argmin(np.abs(found.scan_hz - 13.37)))
    assert found.line_variance[:, place].mean() == pytest.approx(0.125, rel=0.05)
    assert found.noise_psd[:, place].mean() == pytest.approx(2 / RATE_HZ, rel=0.05)


def test_constants_of_the_tapers() -> None:
    """A wide resonance lends F nothing; a line's frequency scatters hardly more than it must.

    The bound is 3 / π² (Rife & Boorstyn 1974) in units of S / (A² T³).
    """
    assert curvature_allowance(1000.0) == pytest.approx(1, abs=1e-3)
    assert 3 / np.pi**2 < frequency_scatter() < 1.1 * 3 / np.pi**2


def test_stretches_use_up_a_record_within_bounds() -> None:
    """About eight segments; one where the record is shorter; bins bounded at any rate."""
    assert stretch_settings(500.0, 1750, 30_000, 0.6, 200.0).stretch_samples == 15_000
    assert stretch_settings(500.0, 1750, 8_000, 0.6, 200.0).stretch_samples == 8_000
    fast = stretch_settings(50_000.0, 100_000, 10_000_000, 1.0, 20_000.0)
    assert len(fast.frequency_hz) <= 1 << 14
    with pytest.raises(ValueError, match="does not fill one stretch"):
        TaperAccumulator(1, fast).finish()
