"""The largest running r.m.s. value against simulated records and two laws of narrow bands."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import butter, freqz, lfilter

from buffet.perception import largest_running_rms
from buffet.spectral.stated_psd import SpectrumError

Array = NDArray[np.float64]
RECORDS = 240


def _resonance(frequency_hz: float, quality: float, rate_hz: float) -> tuple[Array, Array]:
    """Two poles: a resonance of that frequency and half-power bandwidth."""
    radius = np.exp(-np.pi * frequency_hz / quality / rate_hz)
    angle = 2 * np.pi * frequency_hz / rate_hz
    return np.array([1.0]), np.array([1.0, -2 * radius * np.cos(angle), radius**2])


# Spectra as digital filters of white noise, with the rate: what simulates them is not ours.
SPECTRA = {
    "Q 6 at 4 Hz": (_resonance(4.0, 6.0, 64.0), 64.0),
    "Q 20 at 4 Hz": (_resonance(4.0, 20.0, 64.0), 64.0),
    "Q 6 at 1.5 Hz": (_resonance(1.5, 6.0, 32.0), 32.0),
    "Q 2 at 4 Hz": (_resonance(4.0, 2.0, 64.0), 64.0),
    "0.5 to 20 Hz": (butter(3, [0.5, 20.0], "bandpass", fs=100.0), 100.0),
}


def _simulated_ratios(
    taps: tuple[Array, Array], rate_hz: float, duration_s: float, variance: float
) -> Array:
    """Largest 1 s r.m.s. over the overall one of each record, from noise of unit PSD."""
    rng = np.random.default_rng(11)
    run_in, window = round(20 * rate_hz), round(rate_hz)
    n = round((duration_s + 1) * rate_hz)
    found = []
    for _ in range(RECORDS):
        noise = rng.standard_normal(run_in + n) * np.sqrt(rate_hz / 2)
        squares = lfilter(*taps, noise)[run_in:] ** 2
        sums = np.concatenate([[0.0], np.cumsum(squares)])
        found.append((sums[window:] - sums[:-window]).max() / window / variance)
    return np.sqrt(found)


@pytest.mark.parametrize("name", SPECTRA)
def test_ratios_to_the_overall_value_are_those_of_simulated_records(name: str) -> None:
    """Mean, median and the middle 80 % of ten-minute largest values, within 3 %."""
    taps, rate_hz = SPECTRA[name]
    frequency = np.arange(0.0, rate_hz / 2, 0.02)
    psd = np.abs(freqz(*taps, worN=frequency, fs=rate_hz)[1]) ** 2

    found = largest_running_rms(frequency, psd, 600.0)

    simulated = _simulated_ratios(taps, rate_hz, 600.0, float(psd[1:].sum()) * 0.02)
    assert found.ratio == pytest.approx(simulated.mean(), rel=0.03)
    fractiles = [found.fractile(p) / found.rms_m_s2 for p in (0.1, 0.5, 0.9)]
    assert fractiles == pytest.approx(np.quantile(simulated, [0.1, 0.5, 0.9]), rel=0.04)


def test_shorter_times_have_smaller_values_as_simulated() -> None:
    """One minute of the resonance of Q 6."""
    taps, rate_hz = SPECTRA["Q 6 at 4 Hz"]
    frequency = np.arange(0.0, rate_hz / 2, 0.02)
    psd = np.abs(freqz(*taps, worN=frequency, fs=rate_hz)[1]) ** 2

    found = largest_running_rms(frequency, psd, 60.0)

    simulated = _simulated_ratios(taps, rate_hz, 60.0, float(psd[1:].sum()) * 0.02)
    assert found.ratio == pytest.approx(simulated.mean(), rel=0.03)


def _narrow(deviation_hz: float) -> tuple[Array, Array]:
    """A PSD of Gaussian shape about 4 Hz, so narrow that nothing changes within a second."""
    frequency = np.arange(3.8, 4.2, 0.0005)
    return frequency, np.exp(-(((frequency - 4.0) / deviation_hz) ** 2) / 2)


def test_at_one_time_a_narrow_band_has_the_law_of_its_envelope() -> None:
    """The mean square over whole periods is exponentially distributed: P = 1 - exp(-r²)."""
    found = largest_running_rms(*_narrow(0.005), duration_s=1e-9)

    for probability in (0.05, 0.5, 0.95, 0.999):
        expected = np.sqrt(-np.log(1 - probability))
        assert found.fractile(probability) / found.rms_m_s2 == pytest.approx(expected, rel=0.005)


def test_an_envelope_rises_as_often_as_rice_has_it() -> None:
    """2 √π b r exp(-r²) a second, b the spectrum's r.m.s. bandwidth (Rice 1945, section 3.7)."""
    bandwidth_hz, duration_s = 0.02, 6000.0

    found = largest_running_rms(*_narrow(bandwidth_hz), duration_s=duration_s)

    def excess(ratio: float) -> float:
        rises = 2 * np.sqrt(np.pi) * bandwidth_hz * ratio * np.exp(-(ratio**2))
        return float((1 - np.exp(-(ratio**2))) * np.exp(-rises * duration_s) - 0.5)

    expected = brentq(excess, 1.0, 6.0)
    # Periods that do not quite fit into the window leave a ripple, which adds rises of its own.
    assert found.fractile(0.5) / found.rms_m_s2 == pytest.approx(expected, rel=0.01)


def test_units_follow_the_psd_and_time_has_no_scale_of_its_own() -> None:
    """Four times the PSD doubles all; all times doubled, all frequencies halved change nothing."""
    frequency = np.arange(0.1, 30.0, 0.1)
    psd = 1 / (1 + ((frequency - 3) / 0.7) ** 2)

    one = largest_running_rms(frequency, psd)
    loud = largest_running_rms(frequency, 4 * psd)
    slow = largest_running_rms(frequency / 2, psd, 1200.0, 2.0)

    assert loud.expected_m_s2 == pytest.approx(2 * one.expected_m_s2)
    assert loud.rms_m_s2 == pytest.approx(2 * np.sqrt(psd.sum() * 0.1))
    assert slow.ratio == pytest.approx(one.ratio, rel=1e-3)


def test_the_mean_is_no_vibration() -> None:
    """A bin at 0 Hz is left out, and a PSD without anything else is at rest."""
    frequency = np.arange(0.0, 10.0, 0.1)
    mean = np.where(frequency == 0, 9.0, 0.0)
    psd = np.where(frequency > 0, 1.0, 0.0)

    assert largest_running_rms(frequency, psd + mean).expected_m_s2 == pytest.approx(
        largest_running_rms(frequency, psd).expected_m_s2
    )
    still = largest_running_rms(frequency, mean)
    assert still.expected_m_s2 == still.rms_m_s2 == still.fractile(0.9) == 0
    assert np.isnan(still.ratio)


@pytest.mark.parametrize(
    ("frequency", "psd", "told"),
    [
        ([1.0], [1.0], r"two frequencies or more, got shape \(1,\)"),
        ([1.0, 2.0, 4.0], [1.0] * 3, "even steps.*steps of 1 to 2 Hz: interpolate"),
        ([-1.0, 0.0, 1.0], [1.0] * 3, "from 0 Hz or above"),
        ([1.0, 2.0, 3.0], [1.0] * 2, r"shape \(..., 3\), got \(2,\)"),
        ([1.0, 2.0, 3.0], [1.0, -2.0, 1.0], "at 2 Hz is -2 and was to be 0 or above"),
        ([1.0, 2.0, 3.0], [1.0, np.nan, 1.0], "at 2 Hz is nan"),
        ([1.0, 2.0, 3.0], [[1.0] * 3] * 2, r"one PSD is wanted, got shape \(2, 3\)"),
    ],
)
def test_spectra_that_nothing_can_be_made_of(
    frequency: list[float], psd: list[float], told: str
) -> None:
    """Each is answered with what was wanted."""
    with pytest.raises(SpectrumError, match=told):
        largest_running_rms(frequency, psd)


def test_times_and_probabilities_have_their_bounds() -> None:
    """No time, no probability of one."""
    with pytest.raises(ValueError, match="times above 0 s, got 0 s and a window of 1 s"):
        largest_running_rms([1.0, 2.0], [1.0, 1.0], 0.0)
    with pytest.raises(ValueError, match="a probability within 0 to 1, got 1"):
        largest_running_rms([1.0, 2.0], [1.0, 1.0]).fractile(1.0)
