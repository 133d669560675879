"""The wavelet transform beside its authors' printed output, a library's, and closed forms.

`tests/published/nino3` holds the seasonal sea-surface temperatures (Niño3) and the output that
Torrence and Compo print beside their program (github.com/ct6502/wavelets, commit e345f33a, MIT).
"""

import math
from pathlib import Path

import numpy as np
import pytest
import pywt
from numpy.typing import NDArray

from buffet.spectral.wavelet import (
    HALF_WIDTH,
    INFLUENCE_PER_SCALE,
    PERIOD_PER_SCALE,
    BandFilter,
    RedNoise,
    average_freedom,
    average_level,
    average_weights,
    exceeded,
    frequency_hz,
    global_freedom,
    red_noise_of,
    scales_between,
    transform,
)
from tests.thorough.records import Resonance, from_density

Array = NDArray[np.float64]

NINO3 = Path(__file__).parents[1] / "published" / "nino3"
STEP = 0.25  # years
SCALES = 0.25 * 2 ** (np.arange(44) * 0.25)
HALF_A_DIGIT = 5.01e-4  # of what is printed to three places


def temperatures() -> Array:
    """504 quarters."""
    return np.loadtxt(NINO3 / "sst_nino3.dat")


def printed() -> dict[str, Array]:
    """Columns of the printed table, one row a scale."""
    names = ("j", "scale", "period", "power", "phase", "level", "global", "global level")
    lines = (NINO3 / "wavetest_output.txt").read_text(encoding="utf-8").splitlines()
    first = next(i for i, line in enumerate(lines) if line.split()[:1] == ["j"]) + 1
    rows = np.array([[float(number) for number in line.split()] for line in lines[first:][:44]])
    assert rows[-1, 0] == 44
    return dict(zip(names, rows.T, strict=True))


def nino3() -> NDArray[np.complex128]:
    """As the authors' program: zeros up to 1024."""
    return transform(temperatures(), STEP, SCALES, 1024)


def background() -> RedNoise:
    """With the lag-one coefficient that the program is given."""
    return RedNoise(0.72, float(temperatures().var()), STEP)


def test_all_rows_of_the_printed_wavelet_are_reproduced() -> None:
    """Scale, period, |W|² and phase at point 252, to half a unit of the last printed digit."""
    table, coefficients = printed(), nino3()[:, 251]
    np.testing.assert_allclose(SCALES, table["scale"], atol=HALF_A_DIGIT)
    np.testing.assert_allclose(1 / frequency_hz(SCALES), table["period"], atol=HALF_A_DIGIT)
    np.testing.assert_allclose(np.abs(coefficients) ** 2, table["power"], atol=HALF_A_DIGIT)
    phase = np.degrees(np.angle(coefficients))
    np.testing.assert_allclose(phase, table["phase"], atol=HALF_A_DIGIT)


def test_all_rows_of_the_printed_levels_are_reproduced() -> None:
    """Local and global 5 % levels and the global spectrum.

    The program averages over n - s steps, the scale s in years: a slip of units, kept here to
    compare like with like.
    """
    table = printed()
    noise = background().power(frequency_hz(SCALES))
    np.testing.assert_allclose(noise * exceeded(2.0), table["level"], atol=HALF_A_DIGIT)
    power = np.mean(np.abs(nino3()) ** 2, axis=1)
    np.testing.assert_allclose(power, table["global"], atol=HALF_A_DIGIT)
    freedom = global_freedom(SCALES, np.maximum(504 - SCALES, 1) * STEP)
    np.testing.assert_allclose(noise * exceeded(freedom), table["global level"], atol=HALF_A_DIGIT)


def test_the_printed_scale_average_is_reproduced() -> None:
    """Scales of 2 to 7.9 years: degrees of freedom and 5 % level; and the variance of all."""
    chosen = SCALES[(SCALES >= 2) & (SCALES < 7.9)]
    assert average_freedom(chosen) == pytest.approx(6.441, abs=HALF_A_DIGIT)
    noise = background().power(frequency_hz(chosen))
    assert average_level(chosen, STEP, noise) == pytest.approx(0.439, abs=HALF_A_DIGIT)
    assert background().variance == pytest.approx(0.53817, abs=5e-6)
    power = average_weights(SCALES, STEP) @ np.abs(nino3()) ** 2
    assert power.mean() == pytest.approx(0.51547, abs=5e-6)


def test_constants_are_those_of_the_paper() -> None:
    """Table 1: 1.03 and √2; lag-one 0.72 from (α1 + √α2) / 2; χ²₂ at 95 % over 2 is 2.9957."""
    assert round(float(PERIOD_PER_SCALE), 2) == 1.03
    assert math.sqrt(2) == INFLUENCE_PER_SCALE
    assert red_noise_of(temperatures(), STEP).lag_one == pytest.approx(0.72, abs=5e-3)
    assert float(exceeded(2.0)) == pytest.approx(2.9957, abs=5e-5)


def test_pywavelets_finds_the_same_power() -> None:
    """Its complex Morlet of the same shape, where its averages over steps matter less than 2 %."""
    samples = np.random.default_rng(1).standard_normal(8000)
    scales = np.geomspace(20, 60, 6)
    theirs, _ = pywt.cwt(samples, scales, f"cmor2.0-{6 / (2 * np.pi):.12f}", method="fft")
    factor = np.pi**-0.25 * np.sqrt(2 * np.pi)  # to unit energy
    expected = np.mean(np.abs(theirs * factor) ** 2, axis=1)
    found = np.mean(np.abs(transform(samples, 1.0, scales)) ** 2, axis=1)
    np.testing.assert_allclose(found, expected, rtol=0.02)


def test_a_wavelet_passes_half_the_power_at_its_half_width() -> None:
    """A sine so far from a scale's frequency, against one upon it."""
    time_s = np.arange(4000) / 100.0
    scale = scales_between(10.0, 20.0, 1)[-1:]
    power = [
        np.abs(transform(np.sin(2 * np.pi * f * time_s), 0.01, scale)[0, 2000]) ** 2
        for f in (10.0, 10.0 * (1 + HALF_WIDTH), 10.0 * (1 - HALF_WIDTH))
    ]
    # the closed form's 10 Hz is that of ω0, the Fourier period's of 1.3 % more
    assert power[1] / power[0] == pytest.approx(0.5, abs=0.08)
    assert power[2] / power[0] == pytest.approx(0.5, abs=0.08)


def test_averaged_power_of_white_noise_is_its_variance_in_the_band() -> None:
    """Equation 24 over all octaves gives back the variance (Parseval); here 2 of them."""
    samples = np.random.default_rng(2).standard_normal(40_000)
    scales = scales_between(0.05, 0.2, 8)
    power = average_weights(scales, 1.0) @ np.abs(transform(samples, 1.0, scales)) ** 2
    # One octave of scales more or less at the ends: the band's own width is 0.15 of 0.5.
    assert power.mean() == pytest.approx(0.15 / 0.5, rel=0.08)


def test_the_band_filter_gives_the_power_of_the_whole_transform() -> None:
    """At its own instants, away from the ends."""
    n, step_s = 6000, 1 / 200
    record = from_density(Resonance(20.0, 2.0, 1.0).density, 1, n * step_s, _rng(), 1 / step_s)[0]
    scales = scales_between(17.0, 23.0, 4)
    weights = average_weights(scales, step_s)
    band = BandFilter(n, step_s, scales, weights)
    power = band.power(np.fft.rfft(record)[band.kept])
    whole = weights @ np.abs(transform(record, step_s, scales)) ** 2
    at_s = np.arange(band.count) * band.step_s
    inner = (at_s > 0.5) & (at_s < n * step_s - 0.5)
    expected = np.interp(at_s, np.arange(n) * step_s, whole)
    np.testing.assert_allclose(power[inner], expected[inner], atol=0.02 * whole.mean())
    assert band.count < n / 3


@pytest.mark.parametrize("lag_one", [0.0, 0.5, 0.9])
def test_red_noise_stays_below_its_levels_19_times_in_20(lag_one: float) -> None:
    """Of a simulated first-order process: single scales (χ²₂) and their average."""
    rng, n = _rng(), 200_000
    shocks = rng.standard_normal(n) * np.sqrt(1 - lag_one**2)
    samples = np.empty(n)
    samples[0] = rng.standard_normal()
    for i in range(1, n):
        samples[i] = lag_one * samples[i - 1] + shocks[i]
    noise = RedNoise(lag_one, 1.0, 1.0)
    scales = scales_between(0.02, 0.03, 4)
    power = np.abs(transform(samples, 1.0, scales)) ** 2
    expected = noise.power(frequency_hz(scales))
    above = np.mean(power > (expected * exceeded(2.0))[:, None], axis=1)
    np.testing.assert_allclose(above, 0.05, atol=0.01)
    level = average_level(scales, 1.0, expected)
    assert np.mean(average_weights(scales, 1.0) @ power > level) == pytest.approx(0.05, abs=0.012)


def _rng() -> np.random.Generator:
    return np.random.default_rng(7)
