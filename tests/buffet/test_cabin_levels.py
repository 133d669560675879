"""Pressure levels: decibels by hand, bands of IEC 61260-1, the weights of ISO 7196."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import freqs_zpk

from buffet.cabin import (
    ThirdOctave,
    band_level_db,
    g_level_db,
    g_weighting,
    level_db,
    mean_square,
    third_octave_levels_db,
    third_octaves,
    weights_band,
    weights_g,
    weights_third_octaves,
)
from buffet.spectral.stated_psd import SpectrumError

PUBLISHED = Path(__file__).parents[1] / "published"


def _rows(file: str) -> list[dict[str, str]]:
    with (PUBLISHED / file).open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def _half_a_last_digit(printed: str) -> float:
    return float(0.5 * 10.0 ** -len(printed.partition(".")[2]))


@pytest.mark.parametrize(
    ("pressure_pa", "expected"),
    [(20e-6, 0), (1.002, 94), (2.000, 100), (6.325, 110), (8.934, 113), (20.00, 120), (63.25, 130)],
)
def test_levels_are_the_usual_ones(pressure_pa: float, expected: float) -> None:
    """R.m.s. pressures re 20 µPa, to the four digits they are stated with."""
    assert level_db(pressure_pa**2) == pytest.approx(expected, abs=0.005)


def test_nothing_above_the_noise_has_no_level() -> None:
    """0 and below are minus infinity, without a warning."""
    levels = level_db([0.0, -1.0, 4e-10])

    assert levels[:2].tolist() == [-np.inf, -np.inf]
    assert levels[2] == pytest.approx(0.0)


def test_a_band_takes_its_part_of_the_bins_at_its_edges() -> None:
    """A flat PSD has PSD times bandwidth, wherever the edges fall."""
    frequency = np.arange(0.0, 51.0)
    psd = np.full((2, 51), 4e-10)

    assert weights_band(frequency, 2.25, 4.75)[1:7].tolist() == [0, 0.25, 1, 1, 0.25, 0]
    assert band_level_db(frequency, psd, 2.25, 12.25) == pytest.approx([10.0, 10.0])
    assert mean_square(frequency, -psd[0], weights_band(frequency, 3, 4)) == pytest.approx(-4e-10)


def test_third_octave_edges_are_as_printed() -> None:
    """1.12202 and 0.89125 of the mid-band frequency (IEC 61260-1:2014 Table F.1, transcribed)."""
    band = ThirdOctave(4)

    assert band.high_hz / band.centre_hz == pytest.approx(1.12202, abs=5e-6)
    assert band.low_hz / band.centre_hz == pytest.approx(0.89125, abs=5e-6)


@pytest.mark.parametrize(
    ("number", "centre", "low", "high", "label"),
    [
        (-10, 0.1, 0.08913, 0.11220, "0.1"),
        (-6, 0.2512, 0.22387, 0.28184, "0.25"),
        (-2, 0.6310, 0.56234, 0.70795, "0.63"),
        (0, 1.0, 0.89125, 1.12202, "1"),
        (2, 1.585, 1.41254, 1.77828, "1.6"),
        (5, 3.162, 2.81838, 3.54813, "3.15"),
        (8, 6.310, 5.62341, 7.07946, "6.3"),
        (14, 25.119, 22.387, 28.184, "25"),
        (15, 31.623, 28.184, 35.481, "31.5"),
        (21, 125.89, 112.202, 141.254, "125"),
        (33, 1995.3, 1778.28, 2238.72, "2000"),
    ],
)
def test_bands_have_their_frequencies_and_names(
    number: int, centre: float, low: float, high: float, label: str
) -> None:
    """Exact mid-band frequencies and edges of base ten, nominal labels of ISO 266."""
    band = ThirdOctave(number)

    assert band.centre_hz == pytest.approx(centre, rel=1e-4)
    assert (band.low_hz, band.high_hz) == pytest.approx((low, high), rel=1e-4)
    assert band.label == label


def test_limits_may_be_nominal_or_exact() -> None:
    """0.315 to 31.5 Hz are 21 bands, and so are the exact frequencies."""
    nominal, exact = third_octaves(0.315, 31.5), third_octaves(10**-0.5, 10**1.5)

    assert nominal == exact
    assert [nominal[0].label, nominal[-1].label, len(nominal)] == ["0.315", "31.5", 21]
    assert [one.label for one in third_octaves(1.3, 2.4)] == ["1.6", "2"]


def test_bands_share_all_there_is() -> None:
    """Levels of neighbours add up to that of their whole; a tone stays in its own band."""
    frequency = np.arange(0.0, 60.0, 0.13)
    rng = np.random.default_rng(1)
    psd = rng.exponential(size=(3, len(frequency)))
    bands = third_octaves(1.0, 40.0)

    parts = 10 ** (third_octave_levels_db(frequency, psd, bands) / 10)
    whole = 10 ** (band_level_db(frequency, psd, bands[0].low_hz, bands[-1].high_hz) / 10)

    assert parts.sum(axis=1) == pytest.approx(whole)
    tone = np.where(np.arange(len(frequency)) == round(10 / 0.13), 4e-10 / 0.13, 0.0)
    levels = third_octave_levels_db(frequency, tone, bands)
    assert [band.label for band, level in zip(bands, levels, strict=True) if level > -99] == ["10"]
    assert levels.max() == pytest.approx(0.0)


def test_a_band_narrower_than_a_bin_takes_its_share() -> None:
    """0.1 Hz has 0.0231 Hz of bandwidth in a bin of 1 Hz about 0 or 1 Hz."""
    weights = weights_third_octaves([0.0, 1.0], [ThirdOctave(-10)])

    assert weights.sum() == pytest.approx(0.02308, abs=5e-6)


@pytest.mark.parametrize("row", _rows("g_weighting.csv"), ids=lambda row: row["nominal_hz"])
def test_the_g_weighting_is_as_printed(row: dict[str, str]) -> None:
    """At the exact mid-band frequency of each nominal one, to half the last digit."""
    exact = 10 ** (round(10 * np.log10(float(row["nominal_hz"]))) / 10)

    found = 20 * np.log10(abs(complex(g_weighting(exact))))

    assert found == pytest.approx(float(row["level_db"]), abs=_half_a_last_digit(row["level_db"]))


def test_the_g_weighting_has_the_transcribed_gain() -> None:
    """scipy's response of the poles in rad/s with the gain 9.825e8 that another source carries."""
    poles = np.array([-0.707 + 0.707j, -19.27 + 5.16j, -14.11 + 14.11j, -5.16 + 19.27j])
    both = 2 * np.pi * np.concatenate([poles, poles.conj()])
    frequency = np.array([0.5, 3.0, 14.0, 70.0])

    _, expected = freqs_zpk(np.zeros(4), both, 9.825e8, worN=2 * np.pi * frequency)

    assert np.abs(g_weighting(frequency) / expected - 1).max() < 1e-3


def test_tones_have_the_g_level_of_the_table() -> None:
    """100 dB at 10 and at 20 Hz are 100 and 109 dB(G); a mean is none."""
    frequency = np.arange(0.0, 101.0)
    psd = np.zeros((3, 101))
    psd[0, 10] = psd[1, 20] = psd[2, 0] = 4.0

    levels = g_level_db(frequency, psd)

    assert levels[:2] == pytest.approx([100.0, 109.0], abs=0.1)
    assert levels[2] == -np.inf
    assert mean_square(frequency, psd, weights_g(frequency))[0] == pytest.approx(4.0)


def test_g_levels_follow_from_third_octaves() -> None:
    """Band levels with the printed weights added up come to the same within 0.3 dB."""
    frequency = np.arange(0.02, 330.0, 0.02)
    psd = 1 / (1 + (frequency / 6) ** 4)
    rows = _rows("g_weighting.csv")
    bands = third_octaves(0.25, 250.0)
    weights = np.array([float(row["level_db"]) for row in rows[: len(bands)]])

    banded = third_octave_levels_db(frequency, psd, bands) + weights

    assert [band.label for band in bands] == [row["nominal_hz"] for row in rows[: len(bands)]]
    expected = 10 * np.log10((10 ** (banded / 10)).sum())
    assert g_level_db(frequency, psd) == pytest.approx(expected, abs=0.3)


def test_levels_follow_the_unit_of_pressure() -> None:
    """Ten times the pressure is a hundred times the PSD and 20 dB."""
    frequency = np.arange(0.0, 30.0, 0.5)
    psd = np.exp(-frequency)

    assert g_level_db(frequency, 100 * psd) - g_level_db(frequency, psd) == pytest.approx(20.0)


@pytest.mark.parametrize(("low_hz", "high_hz"), [(20.0, 60.0), (5.0, 4.0)])
def test_bands_beyond_the_spectrum_are_refused(low_hz: float, high_hz: float) -> None:
    """Rather than given a level that is too low."""
    with pytest.raises(SpectrumError, match=r"cannot be taken from a spectrum of 0 to 50\.5 Hz"):
        weights_band(np.arange(0.0, 51.0), low_hz, high_hz)


def test_bands_that_do_not_exist_are_refused() -> None:
    """Limits in the wrong order, and limits between two bands."""
    with pytest.raises(ValueError, match="the lower first, got 5 and 4 Hz"):
        third_octaves(5.0, 4.0)
    with pytest.raises(ValueError, match=r"mid-band frequency within 1\.1 to 1\.15 Hz: widen"):
        third_octaves(1.1, 1.15)
