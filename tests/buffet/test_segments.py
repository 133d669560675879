"""The one-pass engine beside scipy.signal, whatever the blocks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from buffet.errors import RecordTooShortError
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segment_groups import MOST_GROUPS
from buffet.spectral.segments import SegmentSettings, SegmentSpectra

RATE_HZ = 200.0
Array = NDArray[np.float64]


def transform(
    samples: Array,
    length: int,
    blocks: int = 1000,
    cross: tuple[int, ...] = (),
    to_hz: float = np.inf,
) -> SegmentSpectra:
    """The engine fed in blocks of `blocks` samples."""
    engine = SegmentEngine(len(samples), SegmentSettings(RATE_HZ, length, cross, to_hz))
    for start in range(0, samples.shape[1], blocks):
        engine.push(samples[:, start : start + blocks])
    return engine.finish()


def noise(channels: int, n: int, seed: int = 1) -> Array:
    """Independent white noise with a common part."""
    rng = np.random.default_rng(seed)
    return rng.standard_normal((channels, n)) + rng.standard_normal(n)


@pytest.mark.parametrize("n", [1000, 1001, 4095, 6000])
@pytest.mark.parametrize("length", [100, 250, 256])
@pytest.mark.parametrize("blocks", [7, 256, 10_000])
def test_auto_spectra_are_those_of_scipy(n: int, length: int, blocks: int) -> None:
    """Welch's estimate of the record less its mean, to the last digits."""
    samples = noise(3, n) + np.array([[0.0], [5.0], [-3.0]])
    spectra = transform(samples, length, blocks)
    centred = samples - samples.mean(axis=1, keepdims=True)
    frequency, expected = signal.welch(centred, RATE_HZ, "hann", length, detrend=False)
    np.testing.assert_allclose(spectra.frequency_hz, frequency, rtol=1e-12)
    np.testing.assert_allclose(spectra.psd, expected, rtol=1e-10, atol=1e-12 * expected.max())


@pytest.mark.parametrize("blocks", [64, 999])
def test_cross_spectra_are_those_of_scipy(blocks: int) -> None:
    """All pairs in both orders; scipy's csd is E[conj(X) Y], ours E[X conj(Y)]."""
    samples = noise(4, 3000)
    spectra = transform(samples, 128, blocks, cross=(0, 2, 3))
    centred = samples - samples.mean(axis=1, keepdims=True)
    for first in (0, 2, 3):
        for second in (0, 2, 3):
            _, expected = signal.csd(
                centred[second], centred[first], RATE_HZ, "hann", 128, detrend=False
            )
            scale = np.abs(expected).max()
            ours = spectra.cross_psd(first, second)
            np.testing.assert_allclose(ours, expected, rtol=1e-10, atol=1e-12 * scale)


def test_coherence_is_that_of_scipy() -> None:
    """From the engine's matrix and from scipy's own function."""
    samples = noise(2, 5000)
    spectra = transform(samples, 200, cross=(0, 1))
    ours = np.abs(spectra.cross_psd(0, 1)) ** 2 / (spectra.psd[0] * spectra.psd[1])
    centred = samples - samples.mean(axis=1, keepdims=True)
    _, expected = signal.coherence(centred[0], centred[1], RATE_HZ, "hann", 200, detrend=False)
    np.testing.assert_allclose(ours, expected, rtol=1e-9, atol=1e-12)


def test_a_large_mean_is_taken_out_exactly() -> None:
    """Mean 1e4 times the fluctuation, and a first block that lies far from it."""
    samples = noise(2, 4000)
    samples[:, :300] += 20.0
    shifted = samples + 1e4
    expected = signal.welch(
        samples - samples.mean(axis=1, keepdims=True), RATE_HZ, "hann", 100, detrend=False
    )[1]
    spectra = transform(shifted, 100, blocks=150, cross=(0, 1))
    np.testing.assert_allclose(spectra.psd, expected, rtol=1e-9)
    np.testing.assert_allclose(spectra.mean, shifted.mean(axis=1), rtol=1e-14)


@pytest.mark.parametrize("first_offset", [0.0, 50.0])
def test_groups_and_cross_terms_lose_the_mean_in_both_low_bins(first_offset: float) -> None:
    """Groups of one segment are the segments' own periodograms about the record's mean."""
    samples = noise(2, 1000)
    samples[:, :50] += first_offset
    centred = samples - samples.mean(axis=1, keepdims=True)
    spectra = transform(samples, 100, blocks=50, cross=(0, 1))
    _, _, stft = signal.spectrogram(
        centred, RATE_HZ, "hann", 100, 50, detrend=False, mode="complex", scaling="density"
    )
    stft = stft * np.sqrt(2)
    stft[:, [0, -1]] /= np.sqrt(2)
    np.testing.assert_allclose(
        spectra.group_psd, np.moveaxis(np.abs(stft) ** 2, 2, 0), rtol=1e-8, atol=1e-12
    )
    expected = np.moveaxis(stft[0] * np.conj(stft[1]), 1, 0)
    np.testing.assert_allclose(spectra.group_cross[:, 0], expected, rtol=1e-8, atol=1e-10)


@pytest.mark.parametrize("segments", [1, 5, 127, 128, 129, 200, 256, 257, 1000])
def test_groups_average_to_the_whole_and_stay_few(segments: int) -> None:
    """Merging neighbours beyond 128 groups loses nothing; weights are segments per group."""
    samples = noise(2, 8 * (segments + 1))
    spectra = transform(samples, 16, blocks=333, cross=(0, 1))
    weights = spectra.group_segments
    assert spectra.n_segments == segments == weights.sum()
    assert len(weights) <= MOST_GROUPS
    assert len(weights) > MOST_GROUPS / 2 or segments <= MOST_GROUPS
    averaged = np.average(spectra.group_psd, axis=0, weights=weights)
    np.testing.assert_allclose(averaged, spectra.psd, rtol=1e-11)
    averaged_cross = np.average(spectra.group_cross, axis=0, weights=weights)
    np.testing.assert_allclose(averaged_cross, spectra.cross, rtol=1e-9, atol=1e-14)


def test_groups_are_neighbours_in_time() -> None:
    """A burst in the last tenth of a long record lies in the last groups only."""
    samples = noise(1, 16 * 1000) * 1e-3
    samples[:, -1600:] *= 1e3
    total = transform(samples, 16).group_psd.sum(axis=(1, 2))
    loud = np.flatnonzero(total > 0.1 * total.max())
    assert loud.min() > 0.88 * len(total)


def test_only_the_wanted_band_is_kept_by_group() -> None:
    """Group spectra end at the retained frequency, the average does not."""
    samples = noise(2, 4000)
    whole = transform(samples, 100, cross=(0, 1))
    part = transform(samples, 100, cross=(0, 1), to_hz=20.0)
    assert part.group_psd.shape[2] == part.group_cross.shape[2] == 11
    np.testing.assert_allclose(part.group_psd, whole.group_psd[:, :, :11], rtol=1e-12)
    np.testing.assert_allclose(part.psd, whole.psd, rtol=1e-12)


@settings(max_examples=30, deadline=None)
@given(
    cuts=st.lists(st.integers(1, 400), min_size=1, max_size=12),
    length=st.sampled_from([16, 50, 100]),
)
def test_the_cut_into_blocks_changes_nothing(cuts: list[int], length: int) -> None:
    """Any cut of the same record gives the same means, covariances and spectra."""
    samples = noise(2, 1200) + 100.0
    whole = transform(samples, length, 1200, cross=(0, 1))
    engine = SegmentEngine(2, SegmentSettings(RATE_HZ, length, (0, 1)))
    edges = np.unique(np.clip(np.cumsum([0, *cuts]), 0, 1200))
    for start, stop in zip(edges, [*edges[1:], 1200], strict=True):
        engine.push(samples[:, start:stop])
    parts = engine.finish()
    for name in ("mean", "covariance", "psd", "cross", "group_psd", "group_cross"):
        reference = getattr(whole, name)
        np.testing.assert_allclose(
            getattr(parts, name), reference, rtol=1e-9, atol=1e-12 * np.abs(reference).max()
        )


def test_moments_are_those_of_numpy() -> None:
    """Mean and covariance over all samples, the incomplete last segment included."""
    samples = noise(3, 1234) * np.array([[1.0], [10.0], [0.1]]) + 7.0
    spectra = transform(samples, 100, blocks=11, cross=(0, 2))
    expected = np.cov(samples, bias=True)
    np.testing.assert_allclose(spectra.mean, samples.mean(axis=1), rtol=1e-13)
    np.testing.assert_allclose(spectra.variance, np.diag(expected), rtol=1e-12)
    np.testing.assert_allclose(spectra.covariance, expected[::2, ::2], rtol=1e-12)


def test_group_means_are_windowed_means_about_the_records() -> None:
    """One segment a group: the samples' average under the window."""
    samples = noise(2, 1000) + 40.0
    spectra = transform(samples, 100, blocks=77)
    window = signal.windows.hann(100, sym=False)
    cut = np.lib.stride_tricks.sliding_window_view(samples, 100, axis=1)[:, ::50]
    expected = (cut @ window / window.sum() - samples.mean(axis=1, keepdims=True)).T
    np.testing.assert_allclose(spectra.group_mean, expected, atol=1e-12)


def test_the_matrix_is_hermitian_and_holds_each_pair() -> None:
    """Kept channels in their order, auto-spectra on the diagonal."""
    spectra = transform(noise(4, 2000), 100, cross=(1, 3))
    matrix = spectra.group_matrix(slice(20))
    np.testing.assert_allclose(matrix, np.conj(np.swapaxes(matrix, 2, 3)))
    np.testing.assert_allclose(matrix[:, :, 1, 1].real, spectra.group_psd[:, 3, :20])
    np.testing.assert_allclose(matrix[:, :, 0, 1], spectra.group_cross[:, 0, :20])


def test_results_are_locked() -> None:
    """Nobody changes a result by accident."""
    spectra = transform(noise(1, 500), 100)
    for array in (spectra.psd, spectra.mean, spectra.group_psd):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0


@pytest.mark.parametrize("n", [0, 1, 99])
def test_a_record_shorter_than_a_segment_is_an_error(n: int) -> None:
    """The message states the record, the segment and what would be possible."""
    engine = SegmentEngine(1, SegmentSettings(RATE_HZ, 100))
    engine.push(np.zeros((1, n)))
    with pytest.raises(
        RecordTooShortError, match=r"segments of 0\.5 s and a record of 0\.5 s"
    ) as told:
        engine.finish()
    assert ("Hz or coarser, or a longer run" in str(told.value)) == (n > 0)
    assert "inf" not in str(told.value)


@pytest.mark.parametrize("length", [2, 101])
def test_a_segment_that_cannot_overlap_by_half_is_an_error(length: int) -> None:
    """Odd lengths have no half."""
    with pytest.raises(ValueError, match=f"segments of {length} samples cannot overlap by half"):
        SegmentSettings(RATE_HZ, length)


def test_a_pair_that_was_not_kept_is_an_error() -> None:
    """The message names both channels."""
    spectra = transform(noise(3, 500), 100, cross=(0, 1))
    with pytest.raises(ValueError, match="no cross-spectrum kept for channels 0 and 2"):
        spectra.cross_psd(0, 2)
