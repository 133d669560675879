"""Coherence, phase and gain: limits beside the published density, coverage by simulation."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import hyp2f1
from scipy.stats import norm

from buffet.spectral.coherence import (
    chance_of,
    coherent_share,
    limits,
    magnitude_squared,
    relative_error,
    threshold,
    transfer,
    unbiased,
)
from buffet.spectral.delay import hann_overlap
from tests.thorough.coherence import CASES, LATE, SEGMENT, Covered, covered, spectra_of

Array = NDArray[np.float64]

PUBLISHED = Path(__file__).parents[1] / "published"
RECORDS = 200
SIMULATED = (0, 1, 3)  # of the long simulation's cases
# Of 200 records a right 95 % interval covers 90 to 99 % in all but one case of a few hundred.
GATE = (0.90, 0.99)


def printed(name: str) -> list[dict[str, str]]:
    """Rows of a published table."""
    with (PUBLISHED / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", printed("coherence_thresholds.csv"), ids=lambda r: r["averages"])
def test_the_threshold_is_the_published_one(row: dict[str, str]) -> None:
    """As printed, and what is as high comes by chance in one case of twenty."""
    found = threshold(float(row["averages"]))
    assert found == pytest.approx(float(row["printed"]), abs=0.5e-4)
    assert chance_of(np.array(found), float(row["averages"])) == pytest.approx(0.05)


@pytest.mark.parametrize("row", printed("random_errors.csv")[-3:], ids=lambda r: r["coherence"])
def test_the_phase_scatters_as_published(row: dict[str, str]) -> None:
    """The arcsine of the gain's error, in degrees; ours has n - 1 for n, which 64 averages show."""
    assert row["quantity"] == "phase"
    error = relative_error(np.array(float(row["coherence"])), float(row["amount"]))
    expected = np.sqrt(64 / 63) * np.sin(np.radians(float(row["printed"])))
    assert error == pytest.approx(expected, rel=2e-4)


def density(seen: float, truth: float, n: float) -> float:
    """Of the sample coherence (Carter, Knapp & Nuttall 1973, equation 1), by scipy's 2F1."""
    x = truth * seen
    turned = (1 - x) ** (1 - 2 * n) * hyp2f1(1 - n, 1 - n, 1, x)
    return float((n - 1) * (1 - truth) ** n * (1 - seen) ** (n - 2) * turned)


@pytest.mark.parametrize("n", [3.0, 5.0, 18.05, 45.3])
@pytest.mark.parametrize("seen", [0.4, 0.6, 0.9, 0.99])
def test_limits_leave_equal_tails_of_the_published_density(seen: float, n: float) -> None:
    """The density, integrated up to what was seen, at each limit as the truth."""
    low, high = (float(limit) for limit in limits(np.array(seen), n))

    assert quad(density, 0, seen, (high, n), limit=200)[0] == pytest.approx(0.025, abs=3e-4)
    below = quad(density, 0, seen, (low, n), limit=200)[0]
    assert below == pytest.approx(0.975, abs=3e-4) if low > 0 else below < 0.975


def test_limits_of_many_averages_are_those_of_fishers_transform() -> None:
    """atanh of the root is normal with variance 1 / (2n), less its bias (Bendat & Piersol)."""
    seen, n = np.array([0.1, 0.5, 0.95]), 20_000.0
    low, high = limits(seen, n)
    half = norm.ppf(0.975) / np.sqrt(2 * n)
    np.testing.assert_allclose(low, np.tanh(np.arctanh(np.sqrt(seen)) - half) ** 2, rtol=1e-3)
    np.testing.assert_allclose(high, np.tanh(np.arctanh(np.sqrt(seen)) + half) ** 2, rtol=1e-3)


def test_limits_stay_within_0_and_1_and_rise() -> None:
    """From nothing to all, few averages and many; next to one average says nothing."""
    seen = np.linspace(0, 1, 101)
    for n in (2.0, 2.5, 7.3, 150.0, 5000.0):
        low, high = limits(seen, n)
        assert np.all((low >= 0) & (low <= seen) & (seen <= high) & (high <= 1))
        assert np.all(np.diff(low) >= -1e-9)
        assert np.all(np.diff(high) >= -1e-9)
    assert [float(limit[3]) for limit in limits(seen, 1.5)] == [0.0, 1.0]


@pytest.mark.parametrize("n", [4.0, 18.05])
@pytest.mark.parametrize("truth", [0.0, 0.3, 0.9])
def test_the_unbiased_value_has_the_truth_for_its_mean(truth: float, n: float) -> None:
    """Under the published density; the value as seen is too high by about (1 - γ²)² / n."""

    def weighted(seen: float) -> float:
        return density(seen, truth, n) * float(unbiased(np.array(seen), n))

    assert quad(weighted, 0, 1, limit=200)[0] == pytest.approx(truth, abs=1e-6)


def test_the_coherent_share_of_independent_signals_is_none() -> None:
    """Their mean coherence is 1/n; what is wholly coherent keeps all."""
    n = 18.05
    assert coherent_share(np.array(1 / n), n) == pytest.approx(0.0, abs=1e-12)
    assert coherent_share(np.array(1.0), n) == 1.0


def test_coherence_of_a_silent_signal_is_none() -> None:
    """And no warning for it."""
    found = magnitude_squared(np.array([0j, 1 + 1j]), np.array([0.0, 1.0]), np.array([1.0, 2.0]))
    np.testing.assert_array_equal(found, [0.0, 1.0])


def test_a_known_response_is_found_with_its_sign() -> None:
    """Half the size, a quarter period late: phase below zero; no scatter without noise."""
    cross, first = np.array([-0.5j * 3.0]), np.array([3.0])
    found = transfer(cross, first, np.array([1.0]), 20.0)
    assert found.gain[0] == found.gain_low[0] == found.gain_high[0] == 0.5
    assert found.phase_rad[0] == pytest.approx(-np.pi / 2)
    assert found.phase_half_rad[0] == 0


def test_every_phase_is_possible_where_nothing_is_coherent() -> None:
    """And the gain may be none."""
    found = transfer(np.array([1e-9 + 0j]), np.array([1.0]), np.array([1e-9]), 20.0)
    assert np.isnan(found.phase_half_rad[0])
    assert found.gain_low[0] == 0


@cache
def simulated(index: int) -> Covered:
    """200 records of one case."""
    return covered(CASES[index], RECORDS, 11 + index)


@pytest.mark.parametrize("index", SIMULATED, ids=lambda index: CASES[index].name)
def test_intervals_hold_the_truth_of_simulated_records(index: int) -> None:
    """Planted source, noise and delay; 60 s, half-overlapping Hann segments; all bins together."""
    found = simulated(index)
    for name in ("coherence", "phase", "gain"):
        share = getattr(found, name).mean() / RECORDS
        assert GATE[0] <= share <= GATE[1], name
    assert found.delays >= 0.97 * RECORDS
    assert GATE[0] <= found.delay / found.delays <= GATE[1]
    assert GATE[0] <= found.share / RECORDS <= GATE[1]


def test_independent_signals_exceed_the_threshold_as_often_as_it_says() -> None:
    """1 in 20 of the bins of 40 pairs, with overlapping segments (2000 independent values)."""
    rng = np.random.default_rng(3)
    seen = []
    for _ in range(40):
        spectra = spectra_of(rng.standard_normal((2, 6000)))
        seen.append(magnitude_squared(spectra.cross_psd(1, 0), *spectra.psd)[2:-2])
    above = np.array(seen) > threshold(spectra.effective_segments)
    assert above.mean() == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 2500))


def test_the_truth_of_the_simulation_is_the_closed_form() -> None:
    """Of the planted densities: 1 / ((1 + N1)(1 + N2 / g²)), less what the delay takes."""
    coherence, response, _ = CASES[0].truth()
    kept = hann_overlap(LATE / SEGMENT) ** 2
    np.testing.assert_allclose(coherence, kept / (1.05 * (1 + 0.02 / 0.25)), rtol=1e-4)
    assert np.all(np.angle(response[:1]) < 0)
