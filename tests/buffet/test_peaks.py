"""Peaks found, told from lines, and not found where there are none."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.peaks import PeakFit, find_peaks, fit_peaks
from buffet.spectral.search import null_ratios
from buffet.spectral.segments import SegmentSettings
from tests.thorough.false_peaks import peaks_of, wake, white
from tests.thorough.records import RATE_HZ, Resonance, from_density

Array = NDArray[np.float64]
Density = Callable[[Array], Array]


def holds(interval: Interval, truth: float, margin: float = 1.0) -> bool:
    """Whether an interval, widened by `margin` about its value, holds the truth."""
    assert interval.low is not None
    assert interval.high is not None
    low = interval.value - margin * (interval.value - interval.low)
    high = interval.value + margin * (interval.high - interval.value)
    return low <= truth <= high


@pytest.mark.parametrize("quality", [3.0, 6.0, 12.0])
@pytest.mark.parametrize("natural_hz", [12.0, 37.3])
@pytest.mark.parametrize("background", [white, wake], ids=["white", "wake"])
def test_a_planted_resonance_is_found(
    quality: float, natural_hz: float, background: Density
) -> None:
    """The strongest peak, its three values within 1.7 times their 95 % half-widths (99.9 %)."""
    height = 20 * float(background(np.array([natural_hz]))[0])
    width = natural_hz / quality
    planted = Resonance(natural_hz, width, height * np.pi * width / 2)
    rng = np.random.default_rng(int(natural_hz * quality) + len(background.__name__))
    samples = from_density(lambda f: background(f) + planted.density(f), 1, 60.0, rng)
    found = peaks_of(samples)[0]
    assert found[0].kind == "broad"
    assert found[0].p_value < 0.01
    assert holds(found[0].frequency_hz, natural_hz, 1.7)
    assert holds(found[0].bandwidth_hz, width, 1.7)
    assert holds(found[0].rms, np.sqrt(planted.variance), 1.7)


def test_two_resonances_are_told_apart() -> None:
    """Three bandwidths apart, a factor of six in energy."""
    planted = (Resonance(20.0, 2.0, 1.0), Resonance(28.0, 3.0, 0.16))
    rng = np.random.default_rng(2)
    density = [p.density for p in planted]
    samples = from_density(lambda f: 1e-3 + density[0](f) + density[1](f), 1, 60.0, rng)
    found = peaks_of(samples)[0]
    assert len(found) == 2
    for peak, truth in zip(found, planted, strict=True):
        assert holds(peak.frequency_hz, truth.natural_hz, 1.7)
        assert holds(peak.rms, np.sqrt(truth.variance), 1.7)


@pytest.mark.parametrize("frequency_hz", [23.0, 23.13, 23.2])
@pytest.mark.parametrize("background", [white, wake], ids=["white", "wake"])
def test_a_pure_line_is_a_line(frequency_hz: float, background: Density) -> None:
    """On a bin, beside one and half-way: amplitude 1, RMS 1/√2, frequency to a twentieth bin."""
    rng = np.random.default_rng(3)
    time = np.arange(12_000) / RATE_HZ
    line = np.sin(2 * np.pi * frequency_hz * time + 0.7)
    samples = from_density(lambda f: background(f) * 0.1, 1, 60.0, rng) + line
    found = peaks_of(samples)[0]
    assert len(found) == 1
    assert found[0].kind == "line"
    assert found[0].frequency_hz.value == pytest.approx(frequency_hz, abs=0.02)
    assert found[0].rms.value == pytest.approx(1 / np.sqrt(2), rel=0.03)
    assert found[0].bandwidth_hz.low == 0


def test_a_line_beside_a_resonance() -> None:
    """Both are found, each of its kind."""
    planted = Resonance(20.0, 3.0, 1.0)
    rng = np.random.default_rng(4)
    time = np.arange(12_000) / RATE_HZ
    samples = from_density(lambda f: 1e-3 + planted.density(f), 1, 60.0, rng)
    found = peaks_of(samples + 0.4 * np.sin(2 * np.pi * 50.05 * time))[0]
    kinds = {peak.kind: peak for peak in found}
    assert set(kinds) == {"broad", "line"}
    assert len(found) == 2
    assert holds(kinds["broad"].frequency_hz, 20.0, 1.7)
    assert kinds["line"].frequency_hz.value == pytest.approx(50.05, abs=0.02)
    assert kinds["line"].rms.value == pytest.approx(0.4 / np.sqrt(2), rel=0.03)


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_units_do_not_matter(scale: float) -> None:
    """Samples in micro or mega units: same peaks, RMS scaled."""
    rng = np.random.default_rng(5)
    density = Resonance(20.0, 2.0, 1.0).density
    samples = from_density(lambda f: 1e-3 + density(f), 1, 60.0, rng)
    (plain,), (scaled,) = peaks_of(samples)[0], peaks_of(samples * scale)[0]
    assert scaled.frequency_hz.value == pytest.approx(plain.frequency_hz.value, rel=1e-6)
    assert scaled.rms.value == pytest.approx(plain.rms.value * scale, rel=1e-6)


def test_peaks_come_strongest_first() -> None:
    """By RMS, not by frequency or order of discovery."""
    rng = np.random.default_rng(7)
    parts = [Resonance(15.0, 4.0, 1.0), Resonance(60.0, 2.0, 0.3)]
    samples = from_density(lambda f: 2e-3 + parts[0].density(f) + parts[1].density(f), 1, 60.0, rng)
    rms = [peak.rms.value for peak in peaks_of(samples)[0]]
    assert len(rms) == 2
    assert rms == sorted(rms, reverse=True)


@pytest.mark.parametrize("psd", [np.ones(10), np.zeros(100), np.r_[np.ones(99), 0.0]])
def test_a_spectrum_that_cannot_be_fitted_has_no_peaks(psd: Array) -> None:
    """Too few bins, or bins without any power (a dead channel)."""
    assert find_peaks(np.arange(2.0, 2 + len(psd)), psd, 20.0) == ()


def test_the_null_ratios_have_the_scatter_and_correlation_of_hann_bins() -> None:
    """K = 10: mean 1, variance 1/10, neighbours correlated by (2/3)², next but one by (1/6)²."""
    ratios = null_ratios(200, 10.0)
    assert ratios.mean() == pytest.approx(1, abs=0.005)
    assert ratios.var() == pytest.approx(0.1, rel=0.03)
    centred = ratios - 1
    near = float(np.mean(centred[:, 1:] * centred[:, :-1])) / ratios.var()
    next_one = float(np.mean(centred[:, 2:] * centred[:, :-2])) / ratios.var()
    assert near == pytest.approx(4 / 9, abs=0.02)
    assert next_one == pytest.approx(1 / 36, abs=0.02)


@pytest.mark.parametrize("segments", [3, 15, 31, 100, 400])
def test_the_null_ratios_have_the_tail_of_overlapping_segments(segments: int) -> None:
    """Variance and skewness of a mean of K powers, neighbours correlated by 1/6 in amplitude.

    tr R² / K² and 2 tr R³ / (tr R²)^1.5 of the matrix R of correlations (moments of a quadratic
    form of complex Gaussians); beyond 32 segments they are imitated.
    """
    second = segments + 2 * (segments - 1) / 36
    third = segments + 6 * (segments - 1) / 36
    ratios = null_ratios(300, 18 * segments**2 / (19 * segments - 1)) - 1
    skewness = np.mean(ratios**3) / np.mean(ratios**2) ** 1.5

    assert ratios.var() == pytest.approx(second / segments**2, rel=0.03)
    assert skewness == pytest.approx(2 * third / second**1.5, rel=0.1, abs=0.015)


def periodic(samples: int = 6000, rate_hz: float = 2000.0) -> Array:
    """Lift at 3.02 Hz and its third harmonic over a rounding floor, three segments long."""
    t = np.arange(samples) / rate_hz
    wave = 0.9 * np.sin(2 * np.pi * 3.02 * t) + 4e-4 * np.sin(2 * np.pi * 9.06 * t)
    return np.asarray(wave + 1e-5 * np.random.default_rng(4).standard_normal(samples))


def test_a_periodic_wake_in_the_first_bins_is_found() -> None:
    """A line between bins 4 and 5, five orders of magnitude above the rest: 0.9 / √2 RMS."""
    engine = SegmentEngine(1, SegmentSettings(2000.0, 3000))
    engine.push(periodic()[None])
    spectra = engine.finish()

    found = find_peaks(spectra.frequency_hz[2:-1], spectra.psd[0, 2:-1], spectra.effective_segments)

    assert found[0].kind == "line"
    assert holds(found[0].frequency_hz, 3.02)
    assert found[0].frequency_hz.value == pytest.approx(3.02, abs=0.1 * 2000 / 3000)
    assert found[0].rms.value == pytest.approx(0.9 / np.sqrt(2), rel=0.03)


@pytest.mark.parametrize("slope", [0.0, -2.0, -4.0])
@pytest.mark.parametrize("top", [3, 4, 5])
def test_steep_noise_whose_crest_lies_inside_is_no_line(slope: float, top: int) -> None:
    """A spectrum that rises to a rounded crest and falls steeply, three segments long."""
    frequency_hz = np.arange(2.0, 402.0)
    crest = (1 + ((frequency_hz / (top + 2)) ** 2 - 1) ** 2) ** (slope / 4)
    with_line = 0
    for ratio in null_ratios(400, 2.89)[:40]:
        found = find_peaks(frequency_hz, crest * ratio, 2.89)
        with_line += any(peak.kind == "line" for peak in found)
    assert with_line <= 8  # 40 at 5 %: 8 or more in 1 of 1,000 (binomial)


SHEDDING = Resonance(18.4, 2.3, 9e-4)  # Q 8 at Strouhal number 0.2 on 0.435 m and 40 m/s


def through_balance(damping: float, noise: float, seed: int) -> Array:
    """60 s at 500 Hz of a shedding flow through one degree of freedom at 38 Hz, with noise."""

    def density(frequency_hz: Array) -> Array:
        flow = SHEDDING.density(frequency_hz) + 5.5e-6 / (1 + (frequency_hz / 23) ** 2) ** 2
        ratio = frequency_hz / 38
        return np.asarray(flow / ((1 - ratio**2) ** 2 + (2 * damping * ratio) ** 2))

    rng = np.random.default_rng(seed)
    records = from_density(density, 1, 60.0, rng, 500.0)
    return np.round(records + noise * rng.standard_normal(records.shape), 6)


def fit_of(records: Array) -> PeakFit:
    """Of one record at 500 Hz by segments of 2.6 s, up to 158 Hz."""
    engine = SegmentEngine(1, SegmentSettings(500.0, 1304))
    engine.push(records)
    spectra = engine.finish()
    bins = (spectra.frequency_hz < 158) & (np.arange(len(spectra.frequency_hz)) > 1)
    return fit_peaks(spectra.frequency_hz[bins], spectra.psd[0, bins], spectra.effective_segments)


@pytest.mark.parametrize(
    ("damping", "noise"), [(0.02, 0.0), (0.02, 3e-4), (0.05, 2e-3), (0.1, 2e-3), (0.1, 0.0)]
)
@pytest.mark.parametrize("seed", [1, 2])
def test_a_flow_peak_is_found_beside_an_unstated_resonance(
    damping: float, noise: float, seed: int
) -> None:
    """Two broad peaks, no line: the flow's and the balance's, with their frequencies and widths."""
    found = fit_of(through_balance(damping, noise, seed))
    assert [peak.kind for peak in found.peaks] == ["broad", "broad"]
    flow, balance = sorted(found.peaks, key=lambda peak: peak.frequency_hz.value)
    assert holds(flow.frequency_hz, 18.4, 1.7)
    assert holds(flow.bandwidth_hz, 2.3, 1.7)
    assert holds(balance.frequency_hz, 38.0, 1.7)
    assert holds(balance.bandwidth_hz, 2 * damping * 38, 1.7)
    assert found.deviance == pytest.approx(1, abs=0.35)  # four standard deviations


def test_a_misfit_widens_the_intervals() -> None:
    """A spectrum of ten segments' scatter that is said to be of sixty."""
    rng = np.random.default_rng(11)
    frequency_hz = np.asarray(0.4 * np.arange(2, 300), float)
    truth = 0.01 + Resonance(20.0, 2.0, 1.0).density(frequency_hz)
    psd = np.asarray(truth * rng.gamma(10.0, 0.1, frequency_hz.size), float)
    honest, claimed = fit_peaks(frequency_hz, psd, 10.0), fit_peaks(frequency_hz, psd, 60.0)
    assert claimed.deviance is not None
    assert claimed.deviance > 4
    near = [
        min(found.peaks, key=lambda peak: abs(peak.frequency_hz.value - 20))
        for found in (honest, claimed)
    ]
    widths = [(peak.frequency_hz.high or 0) - (peak.frequency_hz.low or 0) for peak in near]
    assert widths[1] > 0.6 * widths[0]  # without widening √(10 / 60) = 0.41


def test_a_peak_of_no_account_is_left_out() -> None:
    """A line with a millionth of the variance beside one that holds the rest."""
    rng = np.random.default_rng(8)
    t = np.arange(12_000) / RATE_HZ
    samples = np.sin(2 * np.pi * 30 * t) + 1e-3 * np.sin(2 * np.pi * 60 * t)
    samples += 1e-5 * rng.standard_normal(t.size)
    (found,) = peaks_of(samples[None])
    assert [round(peak.frequency_hz.value) for peak in found] == [30]
