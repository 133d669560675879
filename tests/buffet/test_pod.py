"""Modes of taps: planted patterns, the samples' own singular values, and what chance shows."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.pod import (
    mode_at,
    space_modes,
    spectral_modes,
    unrelated_shares,
)
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from tests.buffet.tap_campaign import (
    LATERAL_HZ,
    LATERAL_RMS,
    OWN_RMS,
    RATE_HZ,
    VERTICAL_HZ,
    VERTICAL_RMS,
    rear_patterns,
    rear_pressures,
)

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

SEGMENT_SAMPLES = 500


def spectra_of(samples: Array) -> SegmentSpectra:
    """With the whole matrix."""
    settings = SegmentSettings(RATE_HZ, SEGMENT_SAMPLES, workers=1, whole_matrix=True)
    engine = SegmentEngine(len(samples), settings)
    engine.push(samples)
    return engine.finish()


@pytest.fixture(scope="module")
def rear() -> Array:
    """Two minutes of the rear's taps."""
    return rear_pressures(120.0, np.random.default_rng(11))


@pytest.fixture(scope="module")
def spectra(rear: Array) -> SegmentSpectra:
    """Of the same."""
    return spectra_of(rear)


def matrix_of(spectra: SegmentSpectra) -> Complex:
    """All bins."""
    return spectra.matrix(slice(None))


def test_planted_patterns_are_the_first_modes(spectra: SegmentSpectra) -> None:
    """Their shapes, their frequencies, and variances inside three of North's deviations."""
    modes = space_modes(
        matrix_of(spectra).real,
        spectra.frequency_hz,
        spectra.duration_s,
        spectra.effective_segments,
        first_bin=2,
    )
    lateral, vertical = rear_patterns()
    truth = [
        LATERAL_RMS**2 * np.sum(lateral**2) + OWN_RMS**2,
        VERTICAL_RMS**2 * np.sum(vertical**2) + OWN_RMS**2,
    ]
    for k, pattern in enumerate((lateral, vertical)):
        alike = abs(modes.shape[:, k] @ pattern) / np.linalg.norm(pattern)
        assert alike == pytest.approx(1.0, abs=0.01)
        relative = np.sqrt(2 / modes.samples[k])
        assert modes.variance[k] == pytest.approx(truth[k], rel=3 * relative)
    assert modes.frequency_hz[:2] == pytest.approx([LATERAL_HZ, VERTICAL_HZ], abs=1.0)
    assert modes.apart[:2].all()


def test_energies_and_shapes_are_those_of_the_samples_singular_values(
    rear: Array, spectra: SegmentSpectra
) -> None:
    """numpy's SVD of the samples, which knows nothing of spectra; the record's ends weigh more."""
    modes = space_modes(
        matrix_of(spectra).real, spectra.frequency_hz, spectra.duration_s, 100.0, first_bin=2
    )
    centred = rear - rear.mean(axis=1)[:, None]
    shapes, singular, _ = np.linalg.svd(centred, full_matrices=False)
    variances = singular**2 / rear.shape[1]

    assert modes.variance[:2] == pytest.approx(variances[:2], rel=0.03)
    assert modes.variance.sum() == pytest.approx(np.sum(rear.var(axis=1)), rel=0.02)
    assert modes.share.sum() == pytest.approx(1.0)
    for k in range(2):
        assert abs(modes.shape[:, k] @ shapes[:, k]) == pytest.approx(1.0, abs=1e-3)


def test_noise_is_taken_out_of_the_covariance(spectra: SegmentSpectra) -> None:
    """What no two taps share goes with a record of it: modes 3 on keep next to nothing."""
    matrix = matrix_of(spectra).real
    noise = OWN_RMS**2 * np.eye(9)
    facts = spectra.frequency_hz, spectra.duration_s, spectra.effective_segments
    without, with_it = (space_modes(matrix, *facts, taken) for taken in (noise, None))

    assert with_it.share[2:].sum() > 0.02
    assert abs(without.share[2:].sum()) < 0.002


def test_the_rule_of_north_tells_how_shares_scatter() -> None:
    """Over 60 records the first variance and share scatter as stated, to a third."""
    rng = np.random.default_rng(2)
    found = [
        space_modes(matrix_of(s).real, s.frequency_hz, s.duration_s, s.effective_segments)
        for s in (spectra_of(rear_pressures(20.0, rng)) for _ in range(60))
    ]
    variance = np.array([one.variance[0] for one in found])
    share = np.array([one.share[0] for one in found])
    said = np.mean([np.sqrt(2 / one.samples[0]) for one in found])

    assert variance.std() / variance.mean() == pytest.approx(said, rel=0.34)
    assert share.std() == pytest.approx(
        np.mean([one.share_deviation[0] for one in found]), rel=0.34
    )


def test_modes_as_strong_as_one_another_are_told() -> None:
    """A shedding pair: two patterns a quarter turn apart with one variance."""
    time_s = np.arange(round(60 * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * 3.0 * time_s
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    samples = np.cos(angle[:, None] - phase)
    samples = samples + 0.01 * np.random.default_rng(1).standard_normal(samples.shape)
    s = spectra_of(samples)
    modes = space_modes(
        matrix_of(s).real, s.frequency_hz, s.duration_s, s.effective_segments, None, 2
    )

    assert modes.share[:2] == pytest.approx([0.5, 0.5], abs=0.01)
    assert not modes.apart[0]
    assert modes.apart[1]


def test_spectral_energies_add_up_to_the_psds(spectra: SegmentSpectra) -> None:
    """The trace of a matrix is the sum of its eigenvalues; shares of bands from planted ones."""
    modes = spectral_modes(matrix_of(spectra), spectra.frequency_hz)

    assert modes.total == pytest.approx(spectra.psd.sum(axis=0))
    assert (modes.density[0] >= modes.density[1]).all()
    near_lateral = modes.share(LATERAL_HZ - 1, LATERAL_HZ + 1)
    assert near_lateral is not None
    assert near_lateral[0] > 0.9
    assert modes.share(1e6, 2e6) is None


def test_a_mode_at_a_frequency_has_amplitude_and_phase() -> None:
    """Taps that see one signal, each delayed and damped by a known amount."""
    rng = np.random.default_rng(4)
    n = round(60 * RATE_HZ)
    base = np.fft.rfft(rng.standard_normal(n))
    frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    size, delay_s = np.array([1.0, 0.5, 0.8]), np.array([0.0, 0.004, 0.010])
    turned = base * size[:, None] * np.exp(-2j * np.pi * frequency_hz * delay_s[:, None])
    s = spectra_of(np.fft.irfft(turned, n, axis=1))
    bin_at = int(np.argmin(np.abs(s.frequency_hz - 20.0)))
    found = mode_at(matrix_of(s)[bin_at], 20.0, s.effective_segments, rng)

    assert np.abs(found.shape) == pytest.approx(size, abs=0.02)
    lead = -2 * np.pi * s.frequency_hz[bin_at] * delay_s
    assert np.angle(found.shape) == pytest.approx(lead, abs=0.02)
    assert found.share > 0.999
    assert found.chance < 0.65  # the largest tap alone has 0.53 of the power


def test_unrelated_taps_show_what_theory_says() -> None:
    """Marchenko & Pastur 1967: the edge (1 + √(p/n))² of equal levels, to 10 % at this size."""
    n_taps, averages = 40, 60.0
    shares = unrelated_shares(np.ones(n_taps), averages, np.random.default_rng(3), 40)
    edge = (1 + np.sqrt(n_taps / averages)) ** 2 / n_taps

    assert shares.mean() == pytest.approx(edge, rel=0.1)
    assert shares.mean() < edge  # which finite matrices fall short of


def test_unrelated_taps_stay_below_the_threshold_in_19_cases_of_20() -> None:
    """Independent noise through the engine: the share passes the 95 % level in 5 % of bins."""
    rng = np.random.default_rng(8)
    s = spectra_of(rng.standard_normal((6, round(60 * RATE_HZ))))
    matrix = matrix_of(s)[5:245:3]  # every third bin: neighbours share the window's lobe
    found = [mode_at(one, 1.0, s.effective_segments, rng) for one in matrix[::2]]
    above = np.mean([one.share > one.chance for one in found])

    assert 0.0 <= above <= 0.15
    values = np.array([one.share for one in found])
    expected = unrelated_shares(np.ones(6), s.effective_segments, rng, 400)
    assert values.mean() == pytest.approx(expected.mean(), rel=0.03)
