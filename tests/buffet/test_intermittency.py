"""Energy over time of planted records: steady noise, bursts, an oscillation of one amplitude."""

import numpy as np
import pytest
from scipy import stats

from buffet.interval import Interval
from buffet.spectral.peaks import Peak
from buffet.spectral.wavelet import HALF_WIDTH, RedNoise
from buffet.wavelets.background import red_noise_beneath
from buffet.wavelets.intermittency import (
    BandEnergy,
    Steady,
    band_energy,
    band_scales,
    longest,
    pearson_tail,
)
from buffet.wavelets.scalogram import MOST_COLUMNS, scalogram
from tests.thorough.bursts import GATED, STEADY, Bursts, alarms
from tests.thorough.records import KINDS, RATE_HZ, Resonance


@pytest.mark.parametrize("kind", STEADY[:2], ids=lambda kind: kind.name)
def test_steady_noise_is_seldom_called_bursts(kind: Bursts) -> None:
    """At most 5 % of records; of 60, more than 9 have a probability of 0.1 % (binomial)."""
    energies, _ = kind.energies(60, 20.0, np.random.default_rng(1))
    assert alarms(energies) <= 9 / 60
    assert np.mean([one.intermittency for one in energies]) == pytest.approx(1.0, abs=0.03)
    above = [one.share_above or 0.0 for one in energies]
    expected = [one.steady.share_above for one in energies]
    assert np.mean(above) == pytest.approx(np.mean(expected), abs=0.01)


@pytest.mark.parametrize("kind", GATED, ids=lambda kind: kind.name)
def test_bursts_give_their_share_of_the_time_back(kind: Bursts) -> None:
    """Within 0.08 by the figure, 0.13 by the level: 5 % of the rest, and what the wavelet blurs.

    Each end of a burst is blurred by a period or two of 0.05 s. Noise in the band that is always
    there makes the figure smaller: with a share b of the energy by 1 - (1 - b)² at most, 20 % of it
    in the last kind.
    """
    energies, on = kind.energies(8, 60.0, np.random.default_rng(2))
    assert alarms(energies) == 1.0
    figures = np.array([one.active_share for one in energies])
    assert np.mean(figures - on) == pytest.approx(0.0, abs=0.08)
    loud = np.array([one.share_above or 0.0 for one in energies])
    assert 0.0 < np.mean(loud - on) < 0.13
    assert max(one.longest_above_s or 0.0 for one in energies) > kind.loud_s
    longer = [(one.longest_below_s or 0.0) > one.steady.longest_below_s for one in energies]
    assert np.mean(longer) > 0.8


def test_white_noise_in_bursts_is_found_too() -> None:
    """Of 0.5 s, on for a quarter of the time on average, in a band without a peak."""
    bursts = next(kind for kind in KINDS if kind.name == "bursts")
    rng = np.random.default_rng(3)
    scales = band_scales(17.0, 23.0)
    records = bursts.records(8, 60.0, rng)
    energies = [band_energy(record, 1 / RATE_HZ, scales, None, rng) for record in records]
    assert alarms(energies) == 1.0
    assert np.mean([one.active_share for one in energies]) == pytest.approx(0.25, abs=0.06)
    assert energies[0].share_above is None


def test_an_oscillation_of_one_amplitude_is_steadier_than_noise() -> None:
    """Its phase wanders: energy nearly constant, where noise of that spectrum has a flatness of 2.

    In closed form: a complex Gaussian amplitude has <|W|⁴> = 2 <|W|²>², a constant one 1.
    """
    rng = np.random.default_rng(4)
    wander = np.cumsum(rng.standard_normal(12_000)) * 0.04
    samples = np.sin(2 * np.pi * 20.0 * np.arange(12_000) / RATE_HZ + wander)
    scales = band_scales(20.0 * (1 - HALF_WIDTH), 20.0 * (1 + HALF_WIDTH))
    energy = band_energy(samples, 1 / RATE_HZ, scales, None, rng)
    assert energy.intermittency == pytest.approx(0.5, abs=0.1)
    assert energy.p_value > 0.99


@pytest.mark.parametrize("skewness", [-0.8, -0.2, 1e-5, 0.3, 1.1])
@pytest.mark.parametrize("off", [-1.5, 0.0, 1.7, 3.0])
def test_tail_is_that_of_scipys_pearson_distribution(skewness: float, off: float) -> None:
    """Of mean 0 and variance 1."""
    assert pearson_tail(off, skewness) == pytest.approx(
        stats.pearson3.sf(off, skewness), rel=1e-3, abs=1e-9
    )


def test_spells_and_columns_by_hand() -> None:
    """Runs of true values; means within columns, values between where a column holds none."""
    assert longest(np.array([True, False, True, True, False])) == 2
    assert longest(np.zeros(4, bool)) == 0
    steady = Steady(np.array([2.0, 2.0]), 0.0, 0.0)
    energy = BandEnergy(1.0, 1.0, np.array([1.0, 3.0, 5.0, 1.0]), 1.0, 2.0, steady)
    assert energy.flatness == pytest.approx(36 / 4 / 2.5**2)
    assert energy.share_above == 0.5
    assert (energy.longest_above_s, energy.longest_below_s) == (2.0, 1.0)
    columns = energy.in_columns(np.array([0.0, 0.5, 2.5, 2.7, 2.9, 4.0]))
    np.testing.assert_allclose(columns, [np.nan, 2.0, 4.2, 4.6, 3.0])


@pytest.mark.parametrize(("lag_one", "variance"), [(0.0, 1.0), (0.8, 0.3), (0.98, 2.0)])
def test_red_noise_beneath_a_peak_is_recovered(lag_one: float, variance: float) -> None:
    """Averaged periodograms of 30 independent segments, a fitted peak on them and a line."""
    frequency = np.arange(2, 400) * 0.25
    planted = RedNoise(lag_one, variance, 1 / RATE_HZ).density(frequency)
    peak = Resonance(20.0, 3.0, 1.5)
    shape = planted + peak.density(frequency)
    psd = shape * np.random.default_rng(5).gamma(30, 1 / 30, len(frequency))
    psd[np.abs(frequency - 50.0) < 0.3] *= 1000
    peaks = [
        _peak(20.0, 3.0, 1.5, "broad"),
        _peak(50.0, 0.01, 1.0, "line"),
    ]
    found = red_noise_beneath(frequency, psd, peaks, 1 / RATE_HZ)
    assert found.lag_one == pytest.approx(lag_one, abs=0.03)
    at_hz = np.array([5.0, 20.0, 60.0])
    true = RedNoise(lag_one, variance, 1 / RATE_HZ).density(at_hz)
    np.testing.assert_allclose(found.density(at_hz), true, rtol=0.12)


def _peak(at_hz: float, width_hz: float, variance: float, kind: str) -> Peak:
    frequency, width, rms = (
        Interval(value, None, None) for value in (at_hz, width_hz, variance**0.5)
    )
    return Peak(frequency, width, rms, 0.001, kind)  # type: ignore[arg-type]


def test_a_scalogram_of_a_long_record_is_bounded_and_shows_its_sine() -> None:
    """Half an hour at 200 Hz: power ½ A² · (|W|² of a sine over white noise) at its own row.

    A sine of amplitude A at a scale's own ω0 gives |W|² = A²/4 · 2π s/δt · π^-½ (eqs 4 and 6).
    """
    n = 360_000
    samples = 3.0 * np.sin(2 * np.pi * 20.0 * np.arange(n) / RATE_HZ) + 7.0
    drawn = scalogram(samples, 1 / RATE_HZ, 20.0, 100.0)
    assert drawn.power.shape[1] == MOST_COLUMNS
    assert drawn.power.shape[0] < 80
    strongest = int(np.argmax(drawn.power.mean(axis=1)))
    assert drawn.frequency_hz[strongest] == pytest.approx(20.0, rel=0.06)
    scale = drawn.scales_s[strongest]
    off = 2 * np.pi * scale * 20.0 - 6.0
    expected = 9 / 4 * 2 * np.pi * scale * RATE_HZ / np.sqrt(np.pi) * np.exp(-(off**2))
    inner = drawn.power[strongest, 2:-2]
    np.testing.assert_allclose(inner, expected, rtol=0.02)
    assert drawn.wider(4).power.shape == (len(drawn.power), MOST_COLUMNS // 4)
