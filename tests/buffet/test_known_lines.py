"""The peak fit with the F-test's lines in it from the start."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.peaks import Peak, fit_peaks
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from tests.thorough.false_lines import lines_of
from tests.thorough.records import RATE_HZ, Resonance, from_density

Array = NDArray[np.float64]

N_RECORDS = 6
SHED = Resonance(20.0, 20.0 / 6, 1.0)
LINE_HZ, AMPLITUDE = 21.77, 0.5  # half a bandwidth beside the top, an eighth of the variance


@cache
def records() -> tuple[Array, SegmentSpectra]:
    """A shedding peak with a fan's line on its flank."""
    rng = np.random.default_rng(21)
    samples = from_density(lambda f: SHED.density(f) + 1e-3, N_RECORDS, 60.0, rng)
    time_s = np.arange(samples.shape[1]) / RATE_HZ
    samples += AMPLITUDE * np.cos(2 * np.pi * LINE_HZ * time_s)
    engine = SegmentEngine(N_RECORDS, SegmentSettings(RATE_HZ, 500))
    engine.push(samples)
    return samples, engine.finish()


def peaks(index: int, lines_hz: list[float]) -> tuple[Peak, ...]:
    """Of one record."""
    _, spectra = records()
    bins = slice(FIRST_BIN, -1)
    psd = spectra.psd[index, bins]
    return fit_peaks(spectra.frequency_hz[bins], psd, spectra.effective_segments, lines_hz).peaks


def test_lines_on_a_flank_are_found_and_leave_the_peak_alone() -> None:
    """The line's and the peak's RMS, and the peak's frequency, are those planted."""
    samples, _ = records()
    shed, lines = [], []
    for index in range(N_RECORDS):
        found = lines_of(samples[index : index + 1])
        told = peaks(index, [line.frequency_hz.value for line in found])
        lines += [p for p in told if p.kind == "line"]
        shed.append(max((p for p in told if p.kind == "broad"), key=lambda peak: peak.rms.value))
    assert len(lines) == N_RECORDS
    planted = AMPLITUDE / np.sqrt(2)
    assert np.mean([p.rms.value for p in lines]) == pytest.approx(planted, rel=0.05)
    assert np.mean([p.frequency_hz.value for p in shed]) == pytest.approx(20.0, abs=0.1)
    assert np.mean([p.rms.value for p in shed]) == pytest.approx(1.0, abs=0.03)


def test_lines_that_are_not_there_are_dropped() -> None:
    """Named at a place that shows none; a twentieth or so stay."""
    stayed = [p for i in range(N_RECORDS) for p in peaks(i, [41.3, 63.7]) if p.kind == "line"]
    assert sum(abs(p.frequency_hz.value - LINE_HZ) > 1 for p in stayed) <= 3
