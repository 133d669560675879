"""Lines by the F-test: none in records without one, planted ones found and placed."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.spectral.lines import find_lines
from tests.thorough.false_lines import LINELESS, false_lines, lines_of, taper_spectra
from tests.thorough.records import RATE_HZ

Array = NDArray[np.float64]

MINUTE = np.arange(round(60 * RATE_HZ)) / RATE_HZ


def noise(seed: int, channels: int = 1) -> Array:
    """White noise of unit variance, a minute of it."""
    return np.random.default_rng(seed).standard_normal((channels, len(MINUTE)))


def line(frequency_hz: float, amplitude: float) -> Array:
    """A planted sine."""
    return np.asarray(amplitude * np.cos(2 * np.pi * frequency_hz * MINUTE + 1))


@pytest.mark.parametrize("name", LINELESS)
def test_records_without_lines_hardly_ever_show_one(name: str) -> None:
    """Fewer than one record in twenty; broad peaks and levels that change make no lines.

    `python -m tests.thorough lines` looks at thousands: 1 % of white noise, fewer of the others.
    """
    with_line, _ = false_lines((name, 60.0), 8)
    assert with_line <= 1


def test_a_long_record_of_a_narrow_resonance_has_no_line() -> None:
    """Q 40, and as narrow as the peak fit resolves: many stretches sharpen the test."""
    for name in ("resonance, Q 40", "resonance as narrow as the peak fit resolves", "bursts"):
        assert false_lines((name, 600.0), 2) == (0, 2)


def test_a_lines_frequency_is_known_to_a_fraction_of_a_bin() -> None:
    """95 % intervals hold the planted one in nine of ten records, of twelve in eleven."""
    inside, widths = [], []
    for seed in range(12):
        planted_hz = 30 + seed / 12
        (found,) = lines_of(noise(seed) + line(planted_hz, 0.5))
        low, high = found.frequency_hz.low, found.frequency_hz.high
        assert low is not None
        assert high is not None
        inside.append(low <= planted_hz <= high)
        widths.append(high - low)
    assert np.mean(inside) >= 0.9
    assert max(widths) < 0.2 / 20  # a bin of a stretch of 20 s is 1/20 Hz


def test_lines_of_several_channels_are_one_list() -> None:
    """One entry a line, with the channels that show it, the clearest first."""
    samples = noise(1, 3)
    samples[0] += line(20.0, 1.0)
    samples[1] += line(20.0, 2.0) + line(31.0, 1.0)
    low, high = lines_of(samples)
    assert low.frequency_hz.value == pytest.approx(20.0, abs=0.003)
    assert high.frequency_hz.value == pytest.approx(31.0, abs=0.003)
    assert set(low.channels) == {0, 1}
    assert high.channels == (1,)


def test_a_channel_that_is_not_looked_at_has_no_line() -> None:
    """Beyond its usable band, or dead: constant samples divide by nothing."""
    samples = noise(2, 3)
    samples[0] += line(60.0, 3.0)
    samples[1] = 4.0
    spectra = taper_spectra(samples)
    assert find_lines(spectra, np.array([50.0, 100.0, 100.0])) == ()
    assert len(find_lines(spectra, np.array([70.0, 0.0, 0.0]))) == 1


@pytest.mark.parametrize("amplitude", [3.0, 1000.0])
def test_a_towering_line_is_one_line(amplitude: float) -> None:
    """Sixty decibels above the noise its skirts make no others."""
    (found,) = lines_of(noise(3, 2) + line(31.234, amplitude))
    assert found.frequency_hz.value == pytest.approx(31.234, abs=0.0015)
    assert found.p_value < 1e-6
