"""Delays planted in phases and records."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from buffet.spectral.coherence import magnitude_squared
from buffet.spectral.delay import delay, hann_overlap
from tests.thorough.coherence import spectra_of

Array = NDArray[np.float64]

FREQUENCY_HZ = np.arange(2, 120) * 0.5
AVERAGES = 40.0
ABOVE = 0.2


def phases(delay_s: float, sign: float = 1.0, noise: float = 0.0) -> NDArray[np.complex128]:
    """Cross-spectra of a pure delay, with noise in their phase."""
    rng = np.random.default_rng(2)
    turned = -2 * np.pi * FREQUENCY_HZ * delay_s + noise * rng.standard_normal(len(FREQUENCY_HZ))
    return np.asarray(sign * np.exp(1j * turned))


@pytest.mark.parametrize("delay_s", [0.0, 0.0123, -0.2, 0.45])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_pure_delay_is_found_whatever_its_turns(delay_s: float, sign: float) -> None:
    """Up to 27 turns of the phase over the band; opposite signals are told."""
    coherence = np.full(len(FREQUENCY_HZ), 0.9)
    found = delay(phases(delay_s, sign), coherence, FREQUENCY_HZ, AVERAGES, ABOVE)
    assert found.delay_s is not None
    assert found.delay_s.value == pytest.approx(delay_s, abs=1e-7)
    assert found.is_opposite == (sign < 0)
    assert found.n_bins == len(FREQUENCY_HZ)


def test_nothing_coherent_gives_no_delay() -> None:
    """With the reason, and with the number of bins where there are few."""
    coherence = np.full(len(FREQUENCY_HZ), 0.1)
    none = delay(phases(0.01), coherence, FREQUENCY_HZ, AVERAGES, ABOVE)
    assert (none.delay_s, none.why, none.n_bins) == (None, "nothing is coherent", 0)
    coherence[:3] = 0.9
    few = delay(phases(0.01), coherence, FREQUENCY_HZ, AVERAGES, ABOVE)
    assert (few.delay_s, few.why) == (None, "only 3 of the bins are coherent")


def test_a_phase_that_no_delay_describes_is_told() -> None:
    """Quarter turn at all frequencies, as of a derivative; and a delay that changes."""
    coherence = np.full(len(FREQUENCY_HZ), 0.9)
    changing = phases(0.01) * np.exp(1j * np.where(FREQUENCY_HZ > 30, 1.0, 0.0))
    for cross in (np.full(len(FREQUENCY_HZ), 1j), changing):
        found = delay(cross, coherence, FREQUENCY_HZ, AVERAGES, ABOVE)
        assert (found.delay_s, found.why) == (None, "the phase is not that of one delay")
        assert found.p_value is not None
        assert found.p_value < 0.001


def test_a_narrow_band_leaves_several_delays() -> None:
    """Six bins about 30 Hz: half a period more, and the other sign, fits nearly as well."""
    coherence = np.where(np.abs(FREQUENCY_HZ - 30) < 1.6, 0.6, 0.05)
    found = delay(phases(0.004, noise=0.05), coherence, FREQUENCY_HZ, AVERAGES, ABOVE)
    assert found.delay_s is None
    assert found.why is not None
    assert found.why.startswith("several fit alike (3.9")


def test_what_a_delay_takes_of_the_coherence_is_that_of_the_window() -> None:
    """The window's own autocorrelation, by numpy; half of a segment late keeps a sixth, squared."""
    window = signal.windows.hann(4096, sym=False)
    for lag in (0, 100, 1024, 2048, 4000):
        expected = window[lag:] @ window[: 4096 - lag] / (window @ window)
        assert hann_overlap(lag / 4096) == pytest.approx(expected, abs=1e-6)
    assert hann_overlap(0.5) == pytest.approx(1 / 6)


def test_a_long_delay_says_what_it_takes_of_the_coherence() -> None:
    """White noise 40 of 256 samples late: the coherence seen is the window's share."""
    rng = np.random.default_rng(4)
    noise = rng.standard_normal(60_040)
    spectra = spectra_of(np.array([noise[40:], noise[:60_000]]))
    cross = spectra.cross_psd(1, 0)
    seen = magnitude_squared(cross, *spectra.psd)
    inside = slice(2, 128)
    frequency = spectra.frequency_hz[inside]
    found = delay(cross[inside], seen[inside], frequency, spectra.effective_segments, ABOVE)
    assert found.delay_s is not None
    assert found.delay_s.value == pytest.approx(0.2, abs=0.001)
    assert found.coherence_kept == pytest.approx(seen[inside].mean(), abs=0.02)
