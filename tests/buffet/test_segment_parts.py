"""The engine however a record is cut, whatever its workers, in either precision."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from buffet.errors import RecordTooShortError
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segment_sums import SegmentSums, merged, record_parts
from buffet.spectral.segments import SegmentSettings, SegmentSpectra

Array = NDArray[np.float64]

RATE_HZ, LENGTH, N = 1000.0, 4096, 300_007
# Pairs among 0, 1, 3, one more, and all of them; groups of two segments.
KEPT = SegmentSettings(RATE_HZ, LENGTH, (0, 1, 3), 200.0, 2, ((1, 2),), whole_matrix=True)
PLAIN = replace(KEPT, whole_matrix=False)
ARRAYS = ("psd", "cross", "group_psd", "group_cross", "covariance", "variance", "group_mean")


def record(n: int = N, mean: float = 0.0, seed: int = 1) -> Array:
    """Four channels with a common resonance, drift and trend, in units far apart."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal((4, n))
    b, a = signal.iirpeak(31.0, 12.0, fs=RATE_HZ)
    samples = white + 2 * signal.lfilter(b, a, rng.standard_normal(n)) + np.linspace(0, 1, n)
    return np.asarray((samples + mean) * np.array([[1.0], [1e4], [1e-3], [3.0]]))


def pushed(samples: Array, wanted: SegmentSettings, blocks: list[int]) -> SegmentSpectra:
    """One pass over blocks of these lengths, again and again."""
    engine = SegmentEngine(len(samples), wanted)
    start = turn = 0
    while start < samples.shape[1]:
        stop = start + blocks[turn % len(blocks)]
        engine.push(samples[:, start:stop])
        start, turn = stop, turn + 1
    return engine.finish()


def in_parts(samples: Array, wanted: SegmentSettings, count: int) -> list[SegmentSums]:
    """Each part by an engine of its own, sent as a process would send it."""
    sums = []
    for part in record_parts(wanted, samples.shape[1], count):
        engine = SegmentEngine(len(samples), wanted, part)
        own = samples[:, part.first_sample : part.stop_sample]
        for start in range(0, own.shape[1], 50_000):
            engine.push(own[:, start : start + 50_000])
        sums.append(pickle.loads(pickle.dumps(engine.sums())))
    return sums


def assert_close(found: SegmentSpectra, wanted: SegmentSpectra, share: float) -> None:
    """All within a share of each channel's own scale, or of both of a pair's."""
    np.testing.assert_allclose(found.mean, wanted.mean, rtol=share, atol=0)
    np.testing.assert_array_equal(found.group_segments, wanted.group_segments)
    level = wanted.psd.max(axis=1)
    first, second = (np.array(i) for i in zip(*wanted.settings.pairs, strict=True))
    scales = {
        "psd": level[:, None],
        "group_psd": level[:, None],
        "cross": np.sqrt(level[first] * level[second])[:, None],
        "group_cross": np.sqrt(level[first] * level[second])[:, None],
        "variance": wanted.variance,
        "covariance": np.sqrt(np.outer(wanted.variance, wanted.variance))[np.ix_(*2 * [[0, 1, 3]])],
        "group_mean": np.sqrt(wanted.variance),
        "packed": np.sqrt(np.outer(level, level)),
    }
    for name, scale in scales.items():
        if getattr(wanted, name) is not None:
            away = np.abs(getattr(found, name) - getattr(wanted, name)) / scale
            assert away.max() <= share, name


@pytest.mark.parametrize("single", [False, True])
@settings(max_examples=8, deadline=None)
@given(blocks=st.lists(st.integers(900, 90_000), min_size=1, max_size=6))
def test_blocks_of_any_size_give_the_same_to_the_last_bit(single: bool, blocks: list[int]) -> None:
    """Batches begin at the same segments, and are taken about the same constants."""
    samples, wanted = record(mean=30.0), replace(PLAIN, single_precision=single)
    whole, parts = pushed(samples, wanted, [N]), pushed(samples, wanted, blocks)
    for name in ("mean", *ARRAYS):
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name), name)


@pytest.mark.parametrize("single", [False, True])
@pytest.mark.parametrize("workers", [1, 3])
def test_workers_change_nothing(single: bool, workers: int) -> None:
    """Two threads, another number, and none."""
    samples, wanted = record(), replace(KEPT, single_precision=single)
    two = pushed(samples, wanted, [1 << 16])
    other = pushed(samples, replace(wanted, workers=workers), [1 << 16])
    for name in ("mean", "packed", *ARRAYS):
        np.testing.assert_array_equal(getattr(other, name), getattr(two, name), name)


@pytest.mark.parametrize("single", [False, True])
@pytest.mark.parametrize("count", [2, 3, 7, 100])
@pytest.mark.parametrize("n", [N, 700_000])
def test_merged_parts_are_the_single_pass(single: bool, count: int, n: int) -> None:
    """To 1e-12 of each channel's scale; parts differ in the constant they are taken about."""
    samples, wanted = record(n), replace(KEPT, single_precision=single)
    sums = in_parts(samples, wanted, count)
    assert len(sums) == min(count, -(-(n // 2048 - 1) // wanted.batch_segments))
    assert_close(merged(sums).spectra(), pushed(samples, wanted, [1 << 16]), 1e-12)


def test_one_part_is_the_whole_record() -> None:
    """To the last bit."""
    samples = record(40_000)
    one = merged(in_parts(samples, KEPT, 1)).spectra()
    whole = pushed(samples, KEPT, [50_000])
    for name in ("mean", *ARRAYS):
        np.testing.assert_array_equal(getattr(one, name), getattr(whole, name), name)


def test_a_record_too_short_for_a_segment_has_no_parts() -> None:
    """The same error as from the engine."""
    with pytest.raises(RecordTooShortError, match="a record of 4"):
        record_parts(PLAIN, LENGTH - 1, 3)


def test_a_part_that_lacks_samples_is_an_error() -> None:
    """It says how many segments there were to be."""
    part = record_parts(PLAIN, N, 2)[0]
    engine = SegmentEngine(4, PLAIN, part)
    engine.push(record(50_000))
    with pytest.raises(ValueError, match=rf"a part of {part.n_segments} segments was given"):
        engine.sums()


def test_nothing_to_merge_is_an_error() -> None:
    """And no result."""
    with pytest.raises(ValueError, match="no parts"):
        merged([])


@pytest.mark.parametrize("mean", [0.0, 1e4])
def test_single_precision_is_enough(mean: float) -> None:
    """Within 1e-5 of double, with a mean 10^4 times the fluctuation: the bound is 1e-4.

    In every bin of PSD and matrix; in those of groups of few segments, which may be next to
    nothing by chance, of the channel's level.
    """
    samples = record(mean=mean)
    double = pushed(samples, KEPT, [1 << 16])
    single = pushed(samples, replace(KEPT, single_precision=True), [1 << 16])
    np.testing.assert_allclose(single.variance, double.variance, rtol=1e-5)
    np.testing.assert_allclose(single.psd, double.psd, rtol=1e-5)
    assert_close(single, double, 1e-5)


def test_the_floor_of_single_precision_lies_110_db_down() -> None:
    """A tone in nothing: what it leaves in other bins, against its power spread evenly.

    A 16-bit converter's own noise lies 98 dB down (6.02 n + 1.76 dB, Bennett 1948).
    """
    n = 200_000
    tone = np.sin(2 * np.pi * 100 * RATE_HZ / LENGTH * np.arange(n) / RATE_HZ)[None]
    spectra = pushed(tone, SegmentSettings(RATE_HZ, LENGTH, single_precision=True), [1 << 16])
    beyond = np.r_[spectra.psd[0, 2:90], spectra.psd[0, 110:]]
    assert 10 * np.log10(beyond.max() / spectra.psd[0].mean()) < -110


@pytest.mark.parametrize("length", [8, 16, 64, 1024])
def test_short_segments_add_up_in_double(length: int) -> None:
    """Thousands of equal powers in a bin, which single precision would sum a part too low."""
    sine = np.sin(2 * np.pi * 2 / length * np.arange(300_000))[None]
    double = SegmentSettings(RATE_HZ, length)
    single = pushed(sine, replace(double, single_precision=True), [1 << 16])
    wanted = pushed(sine, double, [1 << 16])
    np.testing.assert_allclose(single.psd[0, 2], wanted.psd[0, 2], rtol=1e-6)


@pytest.mark.parametrize("worst", [9.91e37, 1e30, 3.4e38, 1e20, 1e-24])
def test_numbers_beyond_single_precision_are_taken_in_double(worst: float) -> None:
    """A logger's mark of a failed reading in one sample, and a channel in a tiny unit."""
    samples = record(60_000)
    if worst > 1:
        samples[1, 41_000] = worst
    else:
        samples[1] *= worst
    double = pushed(samples, KEPT, [1 << 16])
    single = pushed(samples, replace(KEPT, single_precision=True), [1 << 16])
    np.testing.assert_allclose(single.variance, double.variance, rtol=1e-5)
    np.testing.assert_allclose(single.psd, double.psd, rtol=1e-5)
    assert_close(single, double, 1e-5)


def test_a_pair_asked_for_twice_is_kept_once() -> None:
    """Among the combined channels and besides."""
    twice = replace(PLAIN, more_pairs=((0, 1), (1, 2)))
    assert twice.pairs == PLAIN.pairs
    assert pushed(record(20_000), twice, [20_000]).cross.shape[0] == 4
