"""The decimated copy: true in its band, quiet where it folds, exact in time, bounded."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from buffet.spectral.decimated import CHUNK, DecimatedRecord, Decimator, half_band

Array = NDArray[np.float64]
RATE_HZ = 1000.0


def decimated(
    samples: Array, wanted_to_hz: float, blocks: int = 5000, **more: int
) -> DecimatedRecord:
    """The copy of samples that come in blocks."""
    decimator = Decimator(len(samples), RATE_HZ, wanted_to_hz, **more)
    for start in range(0, samples.shape[1], blocks):
        decimator.push(samples[:, start : start + blocks])
    return decimator.finish()


def sine(frequency_hz: float, time_s: Array) -> Array:
    """Of unit amplitude, 0.3 rad ahead."""
    return np.asarray(np.sin(2 * np.pi * frequency_hz * time_s + 0.3))


@pytest.mark.parametrize("pass_share", [0.01, 0.05, 0.1, 0.19, 0.2])
def test_what_would_fold_is_80_db_down(pass_share: float) -> None:
    """By scipy's freqz, which knows nothing of the design; the pass band is as flat."""
    taps = half_band(pass_share)
    frequency, response = signal.freqz(taps, worN=20_000, fs=1.0)
    np.testing.assert_array_equal(taps, taps[::-1])
    assert np.abs(response[frequency >= 0.5 - pass_share]).max() < 1e-4
    assert np.abs(np.abs(response[frequency <= pass_share]) - 1).max() < 1e-4


@pytest.mark.parametrize("frequency_hz", [0.7, 11.0, 29.0, 45.0])
def test_a_sine_keeps_its_amplitude_and_its_time(frequency_hz: float) -> None:
    """To 80 dB, at the times that the copy states, whatever the mean."""
    time_s = np.arange(20_000) / RATE_HZ
    samples = sine(frequency_hz, time_s)[None] + 1e4
    copy = decimated(samples, 50.0)
    assert copy.rate_hz == 125.0
    assert copy.to_hz == 50.0
    assert (copy.start_s * RATE_HZ).is_integer()
    np.testing.assert_allclose(copy.channel(0) - 1e4, sine(frequency_hz, copy.time_s), atol=1e-4)
    np.testing.assert_array_equal(copy.samples[0], copy.channel(0))


@pytest.mark.parametrize("frequency_hz", [76.0, 120.0, 170.0, 251.0, 374.0, 499.0])
def test_a_sine_that_would_fold_into_the_band_is_gone(frequency_hz: float) -> None:
    """At every fold of the chain: 80 dB below what it was."""
    time_s = np.arange(20_000) / RATE_HZ
    copy = decimated(sine(frequency_hz, time_s)[None], 50.0)
    assert np.abs(copy.channel(0)).max() < 1e-4


def test_white_noise_keeps_its_density() -> None:
    """In the band that is stated to be true, segment by segment at the same times."""
    samples = np.random.default_rng(1).standard_normal((1, 400_000))
    copy = decimated(samples, 50.0)
    same = samples[0, round(copy.start_s * RATE_HZ) :]
    frequency, before = signal.welch(same, RATE_HZ, nperseg=4096, detrend=False)
    also, after = signal.welch(copy.channel(0), copy.rate_hz, nperseg=512, detrend=False)
    np.testing.assert_allclose(frequency[: len(also)], also, rtol=1e-12)
    inside = (also > 1) & (also <= copy.to_hz)
    np.testing.assert_allclose(after[inside], before[: len(also)][inside], rtol=1e-3)


@given(cuts=st.lists(st.integers(1, 9000), max_size=30), most=st.sampled_from([30_000, 10**9]))
@settings(max_examples=25, deadline=None)
def test_the_blocks_do_not_matter(cuts: list[int], most: int) -> None:
    """The same to the last bit, with and without further halvings on the way."""
    samples = np.random.default_rng(2).standard_normal((2, 90_000)) + 40
    whole = decimated(samples, 200.0, 10**6, most_values=most)
    decimator = Decimator(2, RATE_HZ, 200.0, most)
    for part in np.split(samples, np.cumsum(cuts), axis=1):
        decimator.push(part)
    copy = decimator.finish()
    assert (copy.start_s, copy.rate_hz, copy.to_hz) == (whole.start_s, whole.rate_hz, whole.to_hz)
    np.testing.assert_array_equal(copy.samples, whole.samples)


@pytest.mark.parametrize("n", [2 * CHUNK, 2 * CHUNK + 1, 200_000, 900_000])
def test_the_copy_stays_within_its_bound(n: int) -> None:
    """It is halved in rate, says so, and is still the signal at its times."""
    time_s = np.arange(n) / RATE_HZ
    copy = decimated(sine(3.0, time_s)[None], np.inf, 7777, most_values=2 * CHUNK)
    assert copy.n_samples <= 2 * CHUNK
    assert copy.n_samples > 0.9 * CHUNK
    halved = n > 2 * CHUNK
    assert copy.to_hz == (0.4 * copy.rate_hz if halved else RATE_HZ / 2)
    assert copy.time_s[-1] < time_s[-1] + 1e-9
    np.testing.assert_allclose(copy.channel(0), sine(3.0, copy.time_s), atol=2e-4)


def test_a_record_shorter_than_the_filters_leaves_an_empty_copy() -> None:
    """Nothing is made up of samples that are not there."""
    assert decimated(np.ones((2, 10)), 5.0).samples.shape == (2, 0)
    assert Decimator(3, RATE_HZ, 5.0).finish().samples.shape == (3, 0)
