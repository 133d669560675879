"""Spectra without lines: what is left is the record that the line was planted in."""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.lobes import line_variances, lobes, without_lines
from buffet.spectral.peaks import fit_peaks
from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra, reduce
from buffet.spectral.segments import SegmentSettings
from ingest import Channel, Quantity, RigResponse
from tests.thorough.records import RATE_HZ, Resonance, from_density

Array = NDArray[np.float64]

N_RECORDS = 30
SECONDS = 60.0
SEGMENT_SAMPLES = 500  # 0.4 Hz
SHED = Resonance(20.0, 20.0 / 6, 1.0)  # 8 bins wide
TIME_S = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ


@cache
def shedding() -> Array:
    """Records of a shedding peak of Q 6 and unit variance."""
    rng = np.random.default_rng(11)
    return from_density(lambda f: SHED.density(f) + 1e-4, N_RECORDS, SECONDS, rng)


def spectra(records: Array) -> ReducedSpectra:
    """Records as quantities of one run."""
    n = len(records)
    channels = [Channel(f"record {i}", i, "other", "V", 1.0) for i in range(n)]
    quantities = [Quantity(f"record {i}", "other", "1", row) for i, row in enumerate(np.eye(n))]
    engine = SegmentEngine(n, SegmentSettings(RATE_HZ, SEGMENT_SAMPLES))
    engine.push(records)
    return reduce(engine.finish(), channels, quantities, RigResponse(RATE_HZ))


def rms(found: ReducedSpectra) -> Array:
    """Of each quantity."""
    return np.sqrt(np.average(found.group_totals(), axis=0, weights=found.group_segments))


def planted(frequency_hz: float, amplitude: float) -> tuple[ReducedSpectra, ReducedSpectra, Array]:
    """Spectra with a line, without it, and the line's variance in each record."""
    sine = amplitude * np.cos(2 * np.pi * frequency_hz * TIME_S)
    read = spectra(shedding() + sine)
    at = np.array([frequency_hz])
    rest = without_lines(read, at)
    groups = line_variances(read, rest, at)
    return read, rest, np.average(groups, axis=0, weights=read.group_segments)[:, 0]


@pytest.mark.parametrize(
    ("frequency_hz", "bias", "scatter"),
    [(21.7, 0.012, 0.02), (20.1, 0.012, 0.045), (40.1, 0.002, 0.01)],
    ids=["on the flank", "on the top", "beside it"],
)
@pytest.mark.parametrize("amplitude", [0.3, 2.0])
def test_what_is_left_has_the_rms_of_the_record_without_the_line(
    frequency_hz: float, amplitude: float, bias: float, scatter: float
) -> None:
    """On average, and in each record as well as the line's place in the peak allows."""
    _, rest, _ = planted(frequency_hz, amplitude)
    ratio = rms(rest) / rms(spectra(shedding()))
    assert ratio.mean() == pytest.approx(1, abs=bias)
    assert ratio.std() < scatter


@pytest.mark.parametrize("amplitude", [0.3, 2.0])
def test_a_line_holds_its_own_variance(amplitude: float) -> None:
    """A² / 2, on the flank of the peak, on average over the records."""
    _, _, variance = planted(21.7, amplitude)
    error = variance.std() / np.sqrt(N_RECORDS)
    assert variance.mean() == pytest.approx(amplitude**2 / 2, abs=3 * error + 0.015)


def test_the_broad_peak_keeps_frequency_bandwidth_and_rms() -> None:
    """Fitted without the line as in the same records before it was planted."""
    _, rest, _ = planted(21.7, 1.0)
    bins = slice(FIRST_BIN, -1)
    pairs = []
    for one in (spectra(shedding()), rest):
        fits = [
            fit_peaks(one.frequency_hz[bins], psd[bins], one.effective_segments).peaks
            for psd in one.psd[:8]
        ]
        strongest = [max(peaks, key=lambda peak: peak.rms.value) for peaks in fits]
        pairs.append([(p.frequency_hz.value, p.bandwidth_hz.value, p.rms.value) for p in strongest])
    before, after = np.array(pairs)
    np.testing.assert_allclose(after.mean(axis=0), before.mean(axis=0), rtol=0.03)


def test_lines_side_by_side_share_their_lobe() -> None:
    """Two and a half bins apart, on white noise, each keeps its own variance."""
    rng = np.random.default_rng(12)
    at = np.array([30.0, 31.0])
    sines = np.cos(2 * np.pi * at[0] * TIME_S) + 0.5 * np.cos(2 * np.pi * at[1] * TIME_S)
    read = spectra(0.1 * rng.standard_normal((8, len(TIME_S))) + sines)
    assert len(lobes(read, at)) == 1
    groups = line_variances(read, without_lines(read, at), at)
    found = np.average(groups, axis=(0, 1))
    np.testing.assert_allclose(found, [0.5, 0.125], rtol=0.05)


def drag_and_lift(seed: int) -> ReducedSpectra:
    """Half of each one's variance is shared; both hold one line."""
    rng = np.random.default_rng(seed)
    shared, own = rng.standard_normal(len(TIME_S)), rng.standard_normal((2, len(TIME_S)))
    samples = shared + own + 2 * np.cos(2 * np.pi * 33.3 * TIME_S)
    words: tuple[Literal["drag", "lift"], ...] = ("drag", "lift")
    channels = [Channel(word, i, word, "N", 1.0) for i, word in enumerate(words)]
    quantities = [Quantity(w, w, "1", row) for w, row in zip(words, np.eye(2), strict=True)]
    engine = SegmentEngine(2, SegmentSettings(RATE_HZ, SEGMENT_SAMPLES, (0, 1)))
    engine.push(samples)
    return reduce(engine.finish(), channels, quantities, RigResponse(RATE_HZ))


def test_cross_spectra_lose_the_line_and_keep_the_rest() -> None:
    """The shared half is left, 1 of 2 of each density, of 2 / (rate) each, on average."""
    shares = []
    for seed in range(20):
        read = drag_and_lift(seed)
        rest = without_lines(read, np.array([33.3]))
        inside = lobes(read, np.array([33.3]))[0].inside
        diagonal = np.einsum("gfii->gif", rest.group_matrix).real
        np.testing.assert_allclose(diagonal, rest.group_psd)
        np.testing.assert_array_equal(rest.group_psd[..., ~inside], read.group_psd[..., ~inside])
        matrix = np.average(rest.group_matrix, axis=0, weights=rest.group_segments)[inside]
        shares.append(matrix.mean(axis=0))
    shared, every = 2 / RATE_HZ, 4 / RATE_HZ
    error = np.std(shares, axis=0) / np.sqrt(len(shares))
    off = np.abs(np.mean(shares, axis=0) - [[every, shared], [shared, every]])
    assert (off < 3 * error + 0.02 * every).all()
    assert (error < 0.05 * every).all()


def test_a_towering_line_leaves_nothing_behind() -> None:
    """Nearly sixty decibels above the noise its skirts reach over many bins."""
    rng = np.random.default_rng(14)
    hum = 100 * np.cos(2 * np.pi * 50.07 * TIME_S)
    records = 0.1 * rng.standard_normal((4, len(TIME_S)))
    rest = without_lines(spectra(records + hum), np.array([50.07]))
    np.testing.assert_allclose(rms(rest), rms(spectra(records)), rtol=0.05)


def test_no_lines_change_nothing() -> None:
    """The very same spectra."""
    read = spectra(shedding()[:2])
    assert without_lines(read, np.array([])) is read
