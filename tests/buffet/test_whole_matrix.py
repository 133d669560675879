"""The cross-spectra of all pairs beside scipy.signal, pair by pair."""

from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from buffet.one_run import _reordered
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings, SegmentSpectra

RATE_HZ = 200.0
LENGTH = 128
Array = NDArray[np.float64]


def samples_of(n: int = 3000, seed: int = 1) -> Array:
    """Five channels with a common part, means far from zero, and a start far from the mean."""
    rng = np.random.default_rng(seed)
    samples = rng.standard_normal((5, n)) + rng.standard_normal(n)
    samples[:, :70] += 30.0
    return samples * np.array([[1.0], [10.0], [0.1], [1.0], [3.0]]) + 50.0


def transform(samples: Array, whole: bool = True, to_hz: float = np.inf) -> SegmentSpectra:
    """Pairs of channels 0, 2 and of 1 with 4 are kept besides."""
    settings = SegmentSettings(
        RATE_HZ, LENGTH, (0, 2), to_hz, more_pairs=((1, 4),), whole_matrix=whole
    )
    engine = SegmentEngine(len(samples), settings)
    for start in range(0, samples.shape[1], 333):
        engine.push(samples[:, start : start + 333])
    return engine.finish()


@pytest.mark.parametrize("n", [128, 200, 3000, 3001])
@pytest.mark.parametrize("to_hz", [np.inf, 31.0, 1.6, 0.0])
def test_every_pair_is_that_of_scipy(n: int, to_hz: float) -> None:
    """In both orders, bins 0 and 1 without the record's mean; scipy's csd is E[conj(X) Y]."""
    samples = samples_of(n)
    spectra = transform(samples, to_hz=to_hz)
    centred = samples - samples.mean(axis=1, keepdims=True)
    for i, j in product(range(5), repeat=2):
        _, expected = signal.csd(centred[j], centred[i], RATE_HZ, "hann", LENGTH, detrend=False)
        found = spectra.cross_psd(i, j)
        kept = i == j or {i, j} in ({0, 2}, {1, 4})
        assert len(found) == (LENGTH // 2 + 1 if kept else spectra.settings.retained_bins)
        scale = np.sqrt(spectra.psd[i] * spectra.psd[j])[: len(found)]
        np.testing.assert_array_less(np.abs(found - expected[: len(found)]), 1e-9 * scale)


def test_the_matrix_is_hermitian_and_holds_every_pair() -> None:
    """Any slice of its bins, with the auto-spectra on the diagonal."""
    spectra = transform(samples_of(), to_hz=40.0)
    matrix = spectra.matrix(slice(3, 9))
    np.testing.assert_allclose(matrix, np.conj(np.swapaxes(matrix, 1, 2)))
    np.testing.assert_allclose(np.diagonal(matrix, axis1=1, axis2=2).T, spectra.psd[:, 3:9])
    np.testing.assert_allclose(matrix[:, 3, 1], spectra.cross_psd(3, 1)[3:9])
    np.testing.assert_allclose(matrix[:, 2, 0], spectra.cross_psd(2, 0)[3:9], rtol=1e-9)


def test_what_was_kept_before_is_kept_as_before() -> None:
    """Auto-spectra, moments, groups and the pairs that components need."""
    samples = samples_of()
    whole, usual = transform(samples), transform(samples, whole=False)
    assert usual.packed is None
    for name in ("mean", "covariance", "psd", "cross", "group_psd", "group_cross", "group_mean"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(usual, name))


def test_channels_in_another_order_keep_their_pairs() -> None:
    """As a wind-off run is seen through a wind-on run's channels, of which it has one more."""
    spectra = transform(samples_of(), to_hz=50.0)
    order = [4, 0, 2, 1]
    turned = _reordered(spectra, order)
    for i, j in product(range(4), repeat=2):
        np.testing.assert_allclose(turned.cross_psd(i, j), spectra.cross_psd(order[i], order[j]))


def test_a_matrix_that_was_not_kept_is_an_error() -> None:
    """The message says where to ask for it."""
    with pytest.raises(ValueError, match="no whole matrix kept; ask for it in the settings"):
        transform(samples_of(), whole=False).matrix(slice(0, 2))
