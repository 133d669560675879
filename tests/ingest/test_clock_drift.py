"""A sample rate that changes over the record: planted laws are found, uneven clocks pass."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.clock_findings import clock_findings
from ingest.findings import Finding
from ingest.readers.clock import ClockMeter
from ingest.recording import ClockSummary

Array = NDArray[np.float64]

RATE_HZ = 500.0


def summary(time_s: Array, block: int = 7001) -> ClockSummary:
    """Of these stamps, fed in blocks."""
    meter = ClockMeter()
    for start in range(0, time_s.size, block):
        meter.feed(time_s[start : start + block])
    return meter.summary(RATE_HZ)


def drifts(clock: ClockSummary) -> list[Finding]:
    """The findings about drift alone."""
    found = clock_findings(clock, "014", clock.measured_rate_hz)
    return [finding for finding in found if finding.code == "clock-drift"]


def drifting(change: float, n: int = 30_000) -> Array:
    """Stamps of a rate that grows straight in time: index = rate (t + change t² / 2 T)."""
    whole_s = n / RATE_HZ
    bend = change / whole_s
    return np.asarray((np.sqrt(1 + 2 * bend * np.arange(n) / RATE_HZ) - 1) / bend)


@pytest.mark.parametrize(
    ("change", "severity", "verb"),
    [(0.003, "warning", "rises"), (-0.003, "warning", "falls"), (0.02, "error", "rises")],
)
def test_a_drifting_clock(change: float, severity: str, verb: str) -> None:
    """How much, which way, and how far samples taken as even lie off."""
    time_s = drifting(change)
    even_s = np.linspace(time_s[0], time_s[-1], time_s.size)
    off_ms = 1e3 * np.abs(time_s - even_s).max()

    (finding,) = drifts(summary(np.round(time_s, 5)))

    assert (finding.severity, finding.channel) == (severity, None)
    assert f"the rate of the time stamps {verb} by {100 * abs(change):.1f}" in finding.message
    said_ms = float(finding.message.split("up to ")[1].split(" ms")[0])
    assert said_ms == pytest.approx(off_ms, rel=0.05)


@pytest.mark.parametrize("change", [0.004, -0.02])
@pytest.mark.parametrize("n", [3000, 30_000, 300_000])
def test_the_size_of_a_drift(change: float, n: int) -> None:
    """As planted, within three standard errors, stamps rounded to 0.1 ms."""
    clock = summary(np.round(drifting(change, n), 4))

    assert abs(clock.rate_change - change) < 3 * clock.rate_change_error + 0.02 * abs(change)


@pytest.mark.parametrize("block", [1, 100, 7001])
def test_blocks_of_any_size_say_the_same(block: int) -> None:
    """The first block sets the usual step, which these stamps share; stretches do not move."""
    time_s = np.cumsum(np.tile([0.0019, 0.0020, 0.0021], 1001))

    whole, parts = summary(time_s, time_s.size), summary(time_s, block)

    assert parts.rate_change == pytest.approx(whole.rate_change, abs=1e-9)
    assert parts.rate_change_error == pytest.approx(whole.rate_change_error, rel=1e-3)


def late(rng: np.random.Generator, n: int) -> Array:
    """Each stamp late by itself, 7 % of a step r.m.s."""
    return (np.arange(n) + 0.07 * rng.standard_normal(n)) / RATE_HZ


def walking(rng: np.random.Generator, n: int) -> Array:
    """Steps that scatter by 10 % and add up, as of a program that waits between readings."""
    return np.asarray(np.cumsum(1 + 0.1 * rng.standard_normal(n)) / RATE_HZ)


def coarse(rng: np.random.Generator, n: int) -> Array:
    """Stamps of whole hundredths of a second."""
    return np.asarray(np.floor(100 * (np.arange(n) / RATE_HZ + rng.random())) / 100)


def interrupted(rng: np.random.Generator, n: int) -> Array:
    """Half a second lost at two places, and one jump back."""
    time_s = np.arange(n) / RATE_HZ
    time_s[n // 5 :] += 0.5
    time_s[n // 4 :] += 0.5
    time_s[n // 2 :] -= 7.0 + rng.random()
    return time_s


@pytest.mark.parametrize("stamps", [late, walking, coarse, interrupted])
@pytest.mark.parametrize("n", [1000, 30_000])
@pytest.mark.parametrize("seed", range(10))
def test_uneven_clocks_do_not_drift(
    stamps: Callable[[np.random.Generator, int], Array], n: int, seed: int
) -> None:
    """Late, walking, coarse and interrupted stamps of one rate."""
    assert drifts(summary(stamps(np.random.default_rng(seed), n))) == []


def test_few_stamps_say_nothing_of_drift() -> None:
    """Thirty steps that halve."""
    clock = summary(drifting(-0.5, 30))

    assert (clock.rate_change, clock.rate_change_error) == (0.0, 0.0)
