"""Columns of different rates brought to one: what passes, what must not fold, where it stands."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from ingest.readers.resampling import ATTENUATION_DB, PASS_SHARE, Resampler

Array = NDArray[np.float64]


def resampled(
    samples: Array, rate_hz: float, to_hz: float, from_s: float = 0.0, block: int = 1000
) -> Array:
    """All samples (rows, n) through one resampler, block by block."""
    resampler = Resampler(len(samples), rate_hz, to_hz, from_s)
    pieces = [
        resampler.push(samples[:, first : first + block])
        for first in range(0, samples.shape[1], block)
    ]
    return np.concatenate([*pieces, resampler.finish()], axis=1)


@pytest.mark.parametrize(
    ("rate_hz", "to_hz"),
    [
        (1000.0, 500.0),
        (500.0, 1000.0),
        (100.0, 1000.0),
        (5000.0, 333.0),
        (48_000.0, 44_100.0),
        (1000.0, 1000.0),
        (1000.1, 1000.0),  # two loggers' clocks: in 4 s they part by 0.4 ms
        (1000.0, 1000.1),
    ],
)
@pytest.mark.parametrize("share", [0.05, 0.5, 0.99])
def test_a_sine_in_the_pass_band_stays_what_it_is(
    rate_hz: float, to_hz: float, share: float
) -> None:
    """The samples asked for are those of the sine itself, at any moment between the first ones."""
    frequency_hz = share * 0.5 * PASS_SHARE * min(rate_hz, to_hz)
    n = 4000
    from_s = 0.37 / rate_hz
    time_s = np.arange(n) / rate_hz

    found = resampled(np.sin(2 * np.pi * frequency_hz * time_s)[None], rate_hz, to_hz, from_s)[0]

    at_s = from_s + np.arange(found.size) / to_hz
    edge = int(60 * to_hz / min(rate_hz, to_hz))  # where the ends' held values reach
    inside = slice(edge, -edge)
    expected = np.sin(2 * np.pi * frequency_hz * at_s)
    assert found.size == pytest.approx(n * to_hz / rate_hz, abs=2 + 1.4 * to_hz / rate_hz)
    assert np.abs(found - expected)[inside].max() < 3e-4


def test_samples_of_the_same_moments_stay_as_they_are() -> None:
    """Nothing can fold at one rate: white noise keeps its band up to half of it."""
    noise = np.random.default_rng(8).standard_normal((2, 4000))

    assert resampled(noise, 1000.0, 1000.0, from_s=0.25) == pytest.approx(noise[:, 250:], abs=1e-12)


@pytest.mark.parametrize("share", [1.0, 1.3, 4.0, 9.7])
def test_what_would_fold_is_kept_out(share: float) -> None:
    """A sine beyond half the new rate is gone by the stated attenuation."""
    time_s = np.arange(20_000) / 1000.0
    sine = np.sin(2 * np.pi * share * 25.001 * time_s)

    found = resampled(sine[None], 1000.0, 50.0)[0, 60:-60]

    assert np.abs(found).max() < 3 * 10 ** (-ATTENUATION_DB / 20)


def test_noise_has_the_spectrum_it_had() -> None:
    """White noise at 1 kHz brought to 400 Hz: its PSD in the pass band, by a library's Welch."""
    noise = np.random.default_rng(20260402).standard_normal((1, 400_000))

    found = resampled(noise, 1000.0, 400.0)

    frequency_hz, psd = signal.welch(found[0], 400.0, nperseg=1024)
    inside = (frequency_hz > 5) & (frequency_hz < 0.5 * PASS_SHARE * 400)
    assert psd[inside].mean() == pytest.approx(2 / 1000, rel=0.02)


@settings(max_examples=40, deadline=None)
@given(
    st.integers(1, 400),
    st.one_of(
        st.sampled_from([0.05, 0.2, 0.75, 1.0, 1.0001, 2.5, 20.0]),
        st.integers(900, 1100).map(lambda thousandths: thousandths / 1000),
    ),
    st.floats(0.0, 3.0),
    st.lists(st.integers(1, 90), min_size=1, max_size=8),
)
def test_blocks_do_not_matter(n: int, ratio: float, from_samples: float, cuts: list[int]) -> None:
    """One piece or many, the samples are the same, and they end with the record."""
    rate_hz, to_hz = 100.0, 100.0 * ratio
    samples = np.random.default_rng(n).standard_normal((2, n))
    from_s = min(from_samples, n - 1) / rate_hz

    whole = resampled(samples, rate_hz, to_hz, from_s, n)
    resampler = Resampler(2, rate_hz, to_hz, from_s)
    pieces, at = [], 0
    while at < n:
        step = cuts[len(pieces) % len(cuts)]
        pieces.append(resampler.push(samples[:, at : at + step]))
        at += step
    found = np.concatenate([*pieces, resampler.finish()], axis=1)

    assert found == pytest.approx(whole, abs=1e-12)
    last = from_s * to_hz + found.shape[1] - 1  # in new samples
    assert last / to_hz <= (n - 1) / rate_hz * (1 + 1e-9) + 1e-9
    assert (last + 1) / to_hz > (n - 1) / rate_hz * (1 - 1e-9) - 1e-9


def test_a_constant_stays_constant_to_the_ends() -> None:
    """Means are what coefficients rest on."""
    found = resampled(np.full((1, 300), 7.25), 100.0, 733.0)

    assert found == pytest.approx(np.full((1, found.shape[1]), 7.25), abs=1e-12)


def test_missing_samples_are_missing_and_do_not_spread() -> None:
    """A gap of three samples: missing between its neighbours, finite beyond."""
    samples = np.sin(np.arange(400) / 9.0)[None]
    samples[0, 200:203] = np.nan

    found = resampled(samples, 100.0, 200.0, block=37)[0]

    assert np.flatnonzero(np.isnan(found)).tolist() == list(range(399, 406))


@pytest.mark.parametrize("block", [1000, 995, 991, 1009, 300])
def test_a_gap_is_bridged_across_blocks(block: int) -> None:
    """Wherever the blocks end: a straight line of samples stays one on either side of the gap."""
    line = 5 + np.arange(4000) / 100
    samples = line.copy()[None]
    samples[0, 990:1010] = np.nan

    found = resampled(samples, 1000.0, 400.0, block=block)[0]

    known = ~np.isnan(found) & (np.arange(found.size) > 40) & (np.arange(found.size) < 1560)
    assert found[known] == pytest.approx(
        np.interp(np.arange(1600) * 2.5, np.arange(4000), line)[known], abs=1e-4
    )
    assert np.count_nonzero(np.isnan(found)) == 8


def test_a_sensor_that_comes_late_begins_with_its_first_value() -> None:
    """Blocks in which nothing is known yet are not taken for zeros."""
    samples = np.full((1, 4000), 5.0)
    samples[0, :2000] = np.nan

    found = resampled(samples, 1000.0, 400.0)[0]

    assert found[800:] == pytest.approx(np.full(800, 5.0), abs=1e-12)
    assert np.isnan(found[:800]).all()
