"""Scatter of RMS, coherence and transfer beside the closed forms of random-data analysis."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings
from buffet.spectral.uncertainty import log_estimate, resample
from tests.thorough.records import RATE_HZ, from_density
from tests.thorough.simulated import spectra_of

Array = NDArray[np.float64]

TABLE = Path(__file__).parents[1] / "published" / "random_errors.csv"
RECORDS = 400
# Bandwidth and record length by B T; segments of 2.5 s resolve the band in 12 bins or more.
BANDS = {"100": (5.0, 20.0), "400": (10.0, 40.0), "1000": (20.0, 50.0)}
AVERAGES = 64
SEGMENTS = 68  # half-overlapping Hann segments worth 64.5 averages (Welch 1967)
PAIRS = 30


def printed(*quantities: str) -> list[dict[str, str]]:
    """Rows of the table."""
    with TABLE.open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["quantity"] in quantities]


def named(row: dict[str, str]) -> str:
    """Label of a row."""
    return f"{row['quantity']}, {row['coherence'] or 'BT'} {row['amount']}"


@cache
def measured(amount: str) -> tuple[Array, Array]:
    """Variances of records of flat noise, and the standard errors the bootstrap gives them."""
    bandwidth_hz, duration_s = BANDS[amount]

    def flat(frequency_hz: Array) -> Array:
        inside = (frequency_hz >= 30) & (frequency_hz < 30 + bandwidth_hz)
        return np.where(inside, 1 / bandwidth_hz, 0.0)

    rng = np.random.default_rng(int(amount))
    values, spreads = [], []
    for signal in spectra_of(from_density(flat, RECORDS, duration_s, rng)):
        totals = signal.group_totals()
        resampling = resample(signal.group_segments, totals, rng)
        estimate = log_estimate(resampling.means(totals)[:, 0], resampling.blocks)
        values.append(float(estimate.value))
        spreads.append(float(estimate.spread))
    return np.array(values), np.array(spreads)


@pytest.mark.parametrize(
    "row", [r for r in printed("mean square", "rms") if r["amount"] in BANDS], ids=named
)
def test_an_rms_scatters_and_says_so_as_published(row: dict[str, str]) -> None:
    """Over 400 records (standard error 3.5 %), and by the mean of their own bootstrap.

    The bootstrap lies some per cent high or low: whole segments stand for the record, and the
    outer halves of the first and last weigh less.
    """
    values, spreads = measured(row["amount"])
    if row["quantity"] == "rms":
        values, spreads = np.sqrt(values), spreads / 2
    expected = float(row["printed"])

    assert values.mean() == pytest.approx(1, abs=5 * expected / np.sqrt(RECORDS))
    assert values.std() / values.mean() == pytest.approx(expected, rel=0.11)
    assert np.sqrt(np.mean(spreads**2)) == pytest.approx(expected, rel=0.15)


@cache
def cross_estimates(coherence: float) -> tuple[Array, Array]:
    """Coherence and transfer of pairs of noise of unit transfer, ``(PAIRS, n_bins)``."""
    rng = np.random.default_rng(round(100 * coherence))
    n = 64 * (SEGMENTS + 1) // 2
    cause = rng.standard_normal((PAIRS, n))
    effect = cause + np.sqrt(1 / coherence - 1) * rng.standard_normal((PAIRS, n))
    engine = SegmentEngine(2 * PAIRS, SegmentSettings(RATE_HZ, 64, tuple(range(2 * PAIRS))))
    engine.push(np.concatenate([cause, effect]))
    spectra = engine.finish()
    assert spectra.n_segments == SEGMENTS
    bins = slice(2, -2)
    cross = np.array([spectra.cross_psd(PAIRS + i, i)[bins] for i in range(PAIRS)])
    own, other = spectra.psd[:PAIRS, bins], spectra.psd[PAIRS:, bins]
    return np.asarray(np.abs(cross) ** 2 / (own * other)), np.asarray(cross / own)


@pytest.mark.parametrize("row", printed("coherence", "gain", "phase"), ids=named)
def test_cross_spectra_scatter_as_published(row: dict[str, str]) -> None:
    """30 pairs of 29 bins, about 450 independent values: 3.3 % standard error, 10 % allowed."""
    assert float(row["amount"]) == AVERAGES
    coherence, transfer = cross_estimates(float(row["coherence"]))
    scatter = {
        "coherence": coherence.std() / float(row["coherence"]),
        "gain": np.abs(transfer).std(),
        "phase": np.degrees(np.angle(transfer).std()),
    }
    assert scatter[row["quantity"]] == pytest.approx(float(row["printed"]), rel=0.1)
