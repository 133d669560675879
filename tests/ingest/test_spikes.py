"""Spikes: planted ones are found with number, time and share; what a flow does is none."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from ingest.channel import Channel
from ingest.checks import RecordChecks
from ingest.findings import Finding
from ingest.recording import ClockSummary
from ingest.spike_meter import SpikeMeter, Spikes

Array = NDArray[np.float64]

RATE_HZ = 500.0
N = 30_000
EVEN = ClockSummary(N, False, 0.0, 60.0, RATE_HZ, 0.002, 0.002, 0.002, 0.0, 0, 0, 0, 0)
TIME_S = np.arange(N) / RATE_HZ


def noise(seed: int, n: int = N) -> Array:
    """Gaussian, standard deviation 1."""
    return np.random.default_rng(seed).standard_normal(n)


def filtered(samples: Array, to_hz: float) -> Array:
    """Smooth: Butterworth, fourth order."""
    sections = signal.butter(4, to_hz, fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(sections, samples))


def told(samples: Array, block: int = 7001, **stated: Any) -> tuple[Finding, ...]:
    """Findings on one channel, fed in blocks."""
    channel = dataclasses.replace(Channel("lift", 1, "lift", "N", 0.5), **stated)
    checks = RecordChecks([channel], [RATE_HZ])
    for start in range(0, samples.size, block):
        checks.feed(samples[None, start : start + block])
    return checks.findings("014", EVEN)


def measured(samples: Array, block: int) -> Spikes | None:
    """Of one meter, fed in blocks."""
    meter = SpikeMeter()
    for start in range(0, samples.size, block):
        part = samples[start : start + block]
        meter.feed(part, range(start, start + part.size))
    return meter.spikes()


@pytest.mark.parametrize("width", [1, 2, 3])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_planted_spikes(width: int, sign: float) -> None:
    """Number, first time, height in N (0.5 N a count) and share of the variance by hand.

    Twelve spikes of 40 hold 12 · 1600 · width of n (1 + 0.64 width) in all.
    """
    samples = noise(1)
    for start in range(1500, N, 2500):
        samples[start : start + width] += sign * 40.0

    (finding,) = told(samples)

    assert (finding.severity, finding.code, finding.channel) == ("error", "spikes", "lift")
    assert finding.message.startswith("12 spikes stand out for 1 to 3 samples, by up to ")
    assert ", first at 3 s: " in finding.message
    height = float(finding.message.split("up to ")[1].split(" N")[0])
    assert height == pytest.approx(20.0, abs=1.5)
    share = float(finding.message.split(": ")[1].split(" %")[0]) / 100
    assert share == pytest.approx(0.64 * width / (1 + 0.64 * width), rel=0.05)


def test_one_spike_is_a_warning() -> None:
    """It holds 900 of 30 900: 2.9 %, below a twentieth."""
    samples = noise(2)
    samples[9000] += 30.0

    (finding,) = told(samples)

    assert (finding.severity, finding.code) == ("warning", "spikes")
    assert finding.message.startswith("1 spike stands out")
    assert "at 18 s: 2." in finding.message or "at 18 s: 3." in finding.message


@pytest.mark.parametrize("block", [1, 37, 1000, 8192, 8230, N])
def test_blocks_of_any_size_say_the_same(block: int) -> None:
    """Spikes on the edges of pieces, a record that ends within one, more candidates than kept."""
    samples = np.random.default_rng(3).standard_t(2.0, N + 17)
    samples[[8191, 8192, 8211, 8230, 16384, 16402]] += 900.0

    assert measured(samples, block) == measured(samples, samples.size)
    assert measured(samples, samples.size) is not None


def test_asking_twice_is_the_same() -> None:
    """Findings may be looked at more than once."""
    samples = noise(4)
    samples[29_900] += 30.0
    meter = SpikeMeter()
    meter.feed(samples, range(N))

    assert meter.spikes() == meter.spikes()
    assert meter.spikes() is not None


def test_many_candidates_keep_the_highest() -> None:
    """Ten thousand excursions of a heavy tail, then one far beyond them: memory is bounded."""
    samples = np.exp(2.5 * noise(5, 600_000))
    samples[500_000] = 1e12
    found = measured(samples, 65_536)

    assert found is not None
    assert found.first == 500_000
    assert found.count == 1


def wake(seed: int, quality: float, frequency_hz: float = 20.0) -> Array:
    """A resonance driven by noise."""
    radius = np.exp(-np.pi * frequency_hz / quality / RATE_HZ)
    angle = 2 * np.pi * frequency_hz / RATE_HZ
    feedback = [1.0, -2 * radius * np.cos(angle), radius**2]
    return np.asarray(signal.lfilter([1.0], feedback, noise(seed, N + 5000))[5000:])


def states(seed: int, dwell_s: float, least_s: float) -> Array:
    """-1 and 1 by turns; each lasts at least so long and on average so much longer."""
    rng = np.random.default_rng(seed)
    lengths = (least_s + rng.exponential(dwell_s, 4000)) * RATE_HZ
    return np.asarray(np.repeat(np.resize([-1.0, 1.0], 4000), lengths.astype(int) + 1)[:N])


SOUND: dict[str, Callable[[int], Array]] = {
    "noise": noise,
    "few counts": lambda seed: np.rint(3.0 * noise(seed)),
    "one count": lambda seed: np.rint(0.4 * noise(seed)),
    "rare count": lambda seed: np.rint(0.1 + 0.2 * noise(seed)),
    "rarer count": lambda seed: np.rint(0.1 + 0.12 * noise(seed)),
    "wake": lambda seed: wake(seed, 6.0) + 0.1 * noise(seed + 1),
    "sharp wake": lambda seed: wake(seed, 40.0),
    "fast wake": lambda seed: wake(seed, 6.0, 100.0),
    "two states": lambda seed: 5.0 * states(seed, 2.0, 0.1) + noise(seed),
    "clear states": lambda seed: 50.0 * states(seed, 2.0, 0.1) + 0.1 * noise(seed),
    "fast states": lambda seed: 5.0 * states(seed, 0.01, 0.01) + 0.1 * noise(seed),
    "bursts": lambda seed: (1.1 + states(seed, 0.5, 0.05)) * noise(seed),
    "smooth": lambda seed: filtered(noise(seed), 20.0),
    "smooth and skew": lambda seed: np.exp(5.0 * filtered(noise(seed), 20.0)),
    "to 150 Hz": lambda seed: filtered(noise(seed), 150.0),
    "heavy tails": lambda seed: np.random.default_rng(seed).laplace(size=N),
    "square": lambda seed: signal.square(2 * np.pi * 7.0 * TIME_S) + 0.05 * noise(seed),
    "sine": lambda seed: np.sin(2 * np.pi * 60.3 * TIME_S),
    "drift": lambda seed: TIME_S + 0.3 * noise(seed),
}


@pytest.mark.parametrize("kind", SOUND)
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_what_a_flow_does_is_no_spike(kind: str, seed: int) -> None:
    """Noise, wakes, switching, bursts, steep but smooth signals and coarse counts."""
    assert measured(SOUND[kind](seed), 7001) is None


@pytest.mark.parametrize("kind", ["wake", "two states", "smooth", "few counts", "drift"])
def test_spikes_are_found_in_what_a_flow_does(kind: str) -> None:
    """Eight of twenty standard deviations in each, and no other."""
    samples = SOUND[kind](21)
    samples[2000::3500] += 20.0 * samples.std()
    found = measured(samples, 7001)

    assert found is not None
    assert (found.count, found.first) == (8, 2000)


def test_a_bump_of_twenty_samples_is_no_spike() -> None:
    """A smooth gust as steep as ten standard deviations a sample."""
    samples = noise(6)
    samples[9000:9020] += 100.0 * np.sin(np.pi * np.arange(20) / 20)

    assert measured(samples, 7001) is None


def test_an_outlying_value_is_told_alone() -> None:
    """A logger's mark for a failed reading is no spike as well."""
    samples = noise(7)
    samples[1000::9000] = 999.0

    assert [finding.code for finding in told(samples)] == ["outlying-value"]


def test_clipped_samples_are_no_spikes() -> None:
    """At full scale they are clipped; a spike that stays below is told beside it."""
    samples = noise(8)
    samples[1000::9000] = 50.0

    assert [finding.code for finding in told(samples, full_scale_raw=50.0)] == ["clipped"]
    samples[20_000] = 40.0
    clipped, spikes = sorted(told(samples, full_scale_raw=50.0), key=lambda f: f.code)
    assert (clipped.code, spikes.code) == ("clipped", "spikes")
    assert "at 40 s" in spikes.message


def test_a_gap_moves_no_spike() -> None:
    """The time counts the missing samples before it, and the edges of a gap are no spike."""
    samples = noise(9)
    samples[3000:5000] = np.nan
    samples[9000] += 30.0

    codes = {finding.code: finding for finding in told(samples)}

    assert set(codes) == {"missing-samples", "spikes"}
    assert "at 18 s" in codes["spikes"].message


def test_triggers_and_temperatures_may_jump() -> None:
    """A pulse a second is what a trigger is for."""
    samples = (np.arange(N) % 500 == 0) + 0.01 * noise(10)

    assert told(samples, measures="other") == ()
    assert [finding.code for finding in told(samples)] == ["spikes"]


@pytest.mark.parametrize("n", [0, 1, 38, 39, 60])
def test_a_handful_of_samples_holds_no_spike(n: int) -> None:
    """Too few to tell what the signal does."""
    assert measured(noise(14, n), 7) is None
