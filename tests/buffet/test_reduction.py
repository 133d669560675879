"""From channels to quantities: combinations, resonance of the balance, bands and remainders."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.group_features import GroupFeatures
from buffet.spectral.reduction import COMPONENTS, ReducedSpectra, reduce
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from ingest import Channel, Quantity, RigResponse
from tests.thorough.records import switching

Array = NDArray[np.float64]
RATE_HZ = 200.0
FRONT = Channel("front lift", 0, "front lift", "N", 1.0)
REAR = Channel("rear lift", 1, "rear lift", "N", 1.0)
TAP = Channel("tap", 2, "pressure", "Pa", 1.0)
CHANNELS = (FRONT, REAR, TAP)


def quantity(measures: str, *row: float) -> Quantity:
    """A combination of the three channels."""
    return Quantity(measures, measures, "1", np.array(row))


LIFT = quantity("lift", 2.0, 2.0, 0.0)
PITCH = quantity("pitch moment", 1.0, -1.0, 0.0)
PRESSURE = quantity("pressure", 0.0, 0.0, 3.0)
QUANTITIES = (LIFT, PITCH, PRESSURE)


def signals(n: int = 6000) -> Array:
    """Two correlated forces and a tap, with means."""
    rng = np.random.default_rng(1)
    samples = rng.standard_normal((3, n))
    samples[1] += 0.6 * np.roll(samples[0], 3)
    return np.asarray(samples + np.array([[5.0], [-2.0], [30.0]]))


def spectra_of(samples: Array, length: int = 200) -> SegmentSpectra:
    """The engine with the two forces' cross-spectrum kept."""
    engine = SegmentEngine(len(samples), SegmentSettings(RATE_HZ, length, (0, 1)))
    engine.push(samples)
    return engine.finish()


def reduced(samples: Array, usable_hz: float = RATE_HZ / 2) -> ReducedSpectra:
    """All three quantities."""
    return reduce(spectra_of(samples), CHANNELS, QUANTITIES, RigResponse(2 * usable_hz))


def combined(samples: Array) -> Array:
    """The quantities' own samples."""
    return np.array([q.row for q in QUANTITIES]) @ samples


def test_spectra_of_combinations_are_those_of_combined_samples() -> None:
    """Combining spectra and transforming combined samples agree, group by group."""
    samples = signals()
    found = reduced(samples)
    expected = spectra_of(combined(samples))
    np.testing.assert_allclose(found.group_psd, expected.group_psd, rtol=1e-8, atol=1e-14)
    np.testing.assert_allclose(found.psd, expected.psd, rtol=1e-8)
    np.testing.assert_allclose(found.mean, expected.mean, rtol=1e-12)


def test_totals_are_the_variance_of_the_samples() -> None:
    """Over the whole band the groups' weighted mean is numpy's variance."""
    samples = signals()
    found = reduced(samples)
    totals = np.average(found.group_totals(), axis=0, weights=found.group_segments)
    np.testing.assert_allclose(totals, combined(samples).var(axis=1), rtol=1e-9)


def test_variance_below_the_resolution_is_what_the_bins_miss() -> None:
    """A drift slower than a segment: the moments hold it, and so does the total."""
    samples = signals()
    time = np.arange(samples.shape[1]) / samples.shape[1]
    samples[2] += 10 * np.cos(2 * np.pi * time)
    found = reduced(samples)
    bins = found.psd[2].sum() * found.frequency_step_hz
    assert found.below_resolution[2] == pytest.approx(combined(samples)[2].var() - bins, rel=1e-9)


def test_a_narrower_band_leaves_out_what_lies_above() -> None:
    """White noise of the tap used up to 25 of 100 Hz: a quarter of its variance, and a bin."""
    samples = signals(40_000)
    found = reduced(samples, usable_hz=25.0)
    total = np.average(found.group_totals(), axis=0, weights=found.group_segments)[2]
    assert total == pytest.approx(9 * 0.25, rel=0.06)
    assert found.usable_bins[2].sum() == 26


def test_a_quantity_reaches_as_far_as_its_worst_channel() -> None:
    """Lift uses both forces, the tap only itself."""
    balance = [replace(FRONT, natural_frequency_hz=37.5), replace(REAR, natural_frequency_hz=50.0)]
    found = reduce(spectra_of(signals()), [*balance, TAP], QUANTITIES, RigResponse(180.0))
    np.testing.assert_allclose(found.usable_hz, [30, 30, 90])


def test_functionals_are_band_variances_of_combined_samples() -> None:
    """Complex rows over lift and pitch against the spectrum of the combination itself."""
    samples = signals()
    found = reduced(samples)
    assert found.components == ("lift", "pitch moment")
    lift, pitch = combined(samples)[:2]
    rows = np.zeros((2, 1, len(found.frequency_hz)), complex)
    rows[0], rows[1] = 0.7, -0.4
    bands = np.zeros((1, 2, len(found.frequency_hz)))
    bands[0, 0, 5:20] = 1.0
    bands[0, 1, 19:60] = 0.5
    ours = GroupFeatures.of([found], range(2)).variances(rows, bands)[:, 0]
    direct = spectra_of((0.7 * lift - 0.4 * pitch)[None, :].repeat(2, axis=0)).group_psd[:, 0]
    expected = direct @ bands[0].T * found.frequency_step_hz
    np.testing.assert_allclose(ours, expected, rtol=1e-8)


def test_a_delay_in_the_rows_undoes_a_delay_in_the_samples() -> None:
    """|X - e^{iωτ} Y|² vanishes where Y is X delayed by τ: the sign of the cross terms."""
    rng = np.random.default_rng(2)
    base = rng.standard_normal(20_003)
    samples = np.array([base[3:], base[:-3], base[3:]])  # the second lags by three samples
    rows = tuple(quantity(word, *row) for word, row in (("lift", (1, 0, 0)), ("drag", (0, 1, 0))))
    found = reduce(spectra_of(samples, 1000), CHANNELS, rows, RigResponse(RATE_HZ))
    assert found.components == ("drag", "lift")
    turn = np.exp(2j * np.pi * found.frequency_hz * 3 / RATE_HZ)
    whole = np.ones((1, 1, len(turn)))
    both = np.stack([turn, -np.ones_like(turn)])[:, None]
    wrong = np.stack([np.conj(turn), -np.ones_like(turn)])[:, None]
    assert GroupFeatures.of([found], range(2)).variances(both, whole).mean() < 0.02
    assert GroupFeatures.of([found], range(2)).variances(wrong, whole).mean() > 1


def test_a_balance_resonance_is_taken_out() -> None:
    """A force through a stated resonance at 60 Hz, damping 0.05, comes back white up to 40 Hz.

    The response is planted as a difference equation's exact frequency response over the whole
    record, f_m = F / (1 - r² + 2iζr).
    """
    rng = np.random.default_rng(3)
    force = rng.standard_normal((2, 40_000))
    ratio = np.fft.rfftfreq(40_000, 1 / RATE_HZ) / 60.0
    logged = np.fft.irfft(np.fft.rfft(force) / (1 - ratio**2 + 0.1j * ratio), 40_000)
    channels = [replace(c, natural_frequency_hz=60.0, damping=0.05) for c in (FRONT, REAR)]
    samples = np.concatenate([logged, logged[:1]])
    found = reduce(spectra_of(samples), [*channels, TAP], (LIFT, PITCH), RigResponse(80.0))
    expected = spectra_of(np.concatenate([force, force[:1]]))
    lift = 4 * (expected.psd[0] + expected.psd[1] + 2 * expected.cross_psd(0, 1).real)
    low = slice(2, 41)
    np.testing.assert_allclose(found.psd[0, low], lift[low], rtol=0.05)


def test_the_variance_of_a_mean_is_that_of_white_noise() -> None:
    """σ²/N: 3000 samples of variance 9 (the tap times three), known to a fifth from few bins."""
    values = [
        reduced(np.random.default_rng(seed).standard_normal((3, 3000))).mean_variance[2]
        for seed in range(40)
    ]
    assert np.mean(values) == pytest.approx(9 / 3000, rel=0.1)


def test_the_variance_of_a_mean_sees_what_is_slower_than_a_segment() -> None:
    """States that change every 5 s, segments of 1 s: within a factor of two of 2 σ² T_I / T.

    A telegraph signal ±A of mean dwell τ has the covariance A² e^{-2|t|/τ}, so T_I = τ/2 and
    var(mean) = A² τ / T: 5/300 for A = 1 and 300 s.
    """
    rng = np.random.default_rng(4)
    found = []
    for _ in range(10):
        state = 2 * switching(60_000, 5.0, 5.0, rng) - 1
        found.append(reduced(state + rng.standard_normal((3, 60_000))).mean_variance[2] / 9)
    assert 0.5 < np.mean(found) / (5 / 300) < 1.5


def test_components_come_in_the_trades_order_once_each() -> None:
    """Two quantities that measure lift: the first counts."""
    twice = (PITCH, LIFT, quantity("lift", 1.0, 0.0, 0.0))
    found = reduce(spectra_of(signals()), CHANNELS, twice, RigResponse(100.0))
    assert found.components == ("lift", "pitch moment")
    assert list(found.components) == sorted(found.components, key=COMPONENTS.index)
    np.testing.assert_allclose(found.group_matrix[:, :, 0, 0].real, found.group_psd[:, 1])


def test_quantities_are_found_by_name_and_by_what_they_measure() -> None:
    """None where there is none."""
    found = reduced(signals())
    assert (found.index("pressure"), found.index("drag")) == (2, None)
    assert (found.measured("lift"), found.measured("drag")) == (0, None)
