"""Histories of a stated matrix against scipy's estimates of it."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import csd
from scipy.stats import kurtosis

from buffet.perception import gaussian_histories, largest_running_rms, running_rms
from buffet.spectral.stated_psd import SpectrumError

Complex = NDArray[np.complex128]
RATE_HZ = 100.0
FREQUENCY = np.arange(1.0, 41.0)


def _matrix() -> Complex:
    """Two partly coherent channels, the second later by 8 ms, and a third without relation."""
    matrix = np.zeros((len(FREQUENCY), 3, 3), complex)
    matrix[:, 0, 0], matrix[:, 1, 1], matrix[:, 2, 2] = 4.0, 1.0, 1 / (10 + FREQUENCY)
    later = 0.8 * np.sqrt(4.0 * 1.0) * np.exp(-2j * np.pi * FREQUENCY * 0.008)
    matrix[:, 1, 0], matrix[:, 0, 1] = later, later.conj()
    return matrix


def test_scipy_finds_the_matrix_again() -> None:
    """PSDs, phases and coherences of a long record, within their scatter."""
    record = gaussian_histories(FREQUENCY, _matrix(), 2000.0, RATE_HZ, np.random.default_rng(1))

    assert record.shape == (3, 200_000)
    for i in range(3):
        for j in range(i + 1):
            # csd has conj(first) second.
            _, found = csd(record[j], record[i], RATE_HZ, nperseg=100, noverlap=0)
            expected = _matrix()[1:-1, i, j]
            size = np.sqrt(_matrix()[1:-1, i, i] * _matrix()[1:-1, j, j]).real
            assert np.abs((found[2:40] - expected) / size).max() < 0.08


def test_variance_is_the_sum_over_the_bins() -> None:
    """Bin sum times step, and nothing outside the bins."""
    record = gaussian_histories(FREQUENCY, _matrix(), 4000.0, RATE_HZ, np.random.default_rng(2))

    assert record.var(axis=1) == pytest.approx(
        [160.0, 40.0, (1 / (10 + FREQUENCY)).sum()], rel=0.02
    )
    assert record.mean(axis=1) == pytest.approx([0, 0, 0], abs=0.05)


def test_the_second_channel_is_late() -> None:
    """Its correlation with the first is largest 8 ms on, which is the sign of the phase."""
    record = gaussian_histories(FREQUENCY, _matrix(), 400.0, 250.0, np.random.default_rng(3))

    shifted = [np.mean(record[1, 10:-10] * np.roll(record[0], lag)[10:-10]) for lag in range(-5, 6)]

    assert int(np.argmax(shifted)) - 5 == 2


def test_records_are_gaussian_and_scatter() -> None:
    """No excess kurtosis; variances of short records scatter as 1 / (2 B T) of white noise says."""
    psd = np.ones((40, 1, 1))
    rng = np.random.default_rng(4)

    records = [gaussian_histories(FREQUENCY, psd, 2.0, RATE_HZ, rng)[0] for _ in range(600)]

    variances = np.var(records, axis=1)
    assert variances.std() / variances.mean() == pytest.approx((1 / 40 / 2) ** 0.5, rel=0.12)
    assert kurtosis(np.ravel(records)) == pytest.approx(0, abs=0.06)


def test_seeds_decide() -> None:
    """The same seed gives the same record, another one another."""
    first, again, other = (
        gaussian_histories(FREQUENCY, _matrix(), 5.0, RATE_HZ, np.random.default_rng(seed))
        for seed in (7, 7, 8)
    )

    assert np.array_equal(first, again)
    assert np.abs(first - other).max() > 1


def test_one_source_moves_both_places() -> None:
    """A matrix of rank one, at which Cholesky's method stops, gives fully coherent records."""
    row = np.array([1.0, -2.0])
    matrix = np.tile(np.outer(row, row), (40, 1, 1))

    record = gaussian_histories(FREQUENCY, matrix, 10.0, RATE_HZ, np.random.default_rng(5))

    assert record[1] == pytest.approx(-2 * record[0], abs=1e-9)


def test_ends_do_not_know_of_each_other() -> None:
    """The period is longer than the record: the first and last samples are not neighbours."""
    psd = np.ones((4, 1, 1))
    rng = np.random.default_rng(6)

    records = [
        gaussian_histories([0.5, 1.0, 1.5, 2.0], psd, 10.0, RATE_HZ, rng)[0] for _ in range(300)
    ]

    ends = np.array(records)[:, [0, -1]]
    assert abs(np.corrcoef(ends.T)[0, 1]) < 0.2


def test_synthesised_records_have_the_largest_values_expected() -> None:
    """A band of 3 to 5 Hz: both routes agree on ten minutes within 3 %."""
    frequency = np.arange(3.05, 5.0, 0.1)
    psd = np.full((20, 1, 1), 0.01)
    rng = np.random.default_rng(9)

    largest = [
        running_rms(gaussian_histories(frequency, psd, 601.0, 40.0, rng)[0], 40.0).max()
        for _ in range(150)
    ]

    expected = largest_running_rms(frequency, psd[:, 0, 0], 600.0).expected_m_s2
    assert np.mean(largest) == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(
    ("matrix", "told"),
    [
        (np.ones((40, 2)), r"shape \(40, n, n\), got \(40, 2\)"),
        (np.full((40, 1, 1), np.nan), "at 1 Hz hold what is not a number"),
        (np.tile([[1.0, 2.0], [2.0, 1.0]], (40, 1, 1)), "at 1 Hz is no.*eigenvalue is -1"),
        (np.tile([[1.0, 0.5], [0.0, 1.0]], (40, 1, 1)), "0.5 off Hermitian"),
    ],
)
def test_matrices_that_no_record_has(matrix: Complex, told: str) -> None:
    """Each is answered with the frequency and what is wrong there."""
    with pytest.raises(SpectrumError, match=told):
        gaussian_histories(FREQUENCY, matrix, 10.0, RATE_HZ, np.random.default_rng(0))


def test_rates_and_durations_have_their_bounds() -> None:
    """Half the rate is to reach the spectrum's end; a record has two samples."""
    rng = np.random.default_rng(0)

    with pytest.raises(SpectrumError, match="up to 40 Hz needs 80 samples a second, got 50"):
        gaussian_histories(FREQUENCY, _matrix(), 10.0, 50.0, rng)
    with pytest.raises(ValueError, match=r"two samples, got 0\.001 s at 100 Hz"):
        gaussian_histories(FREQUENCY, _matrix(), 0.001, RATE_HZ, rng)
