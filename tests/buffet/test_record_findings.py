"""Drifts, folded power, short records: planted ones are found with their size, sound ones pass."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from buffet.analysis import analyse
from buffet.record_findings import record_findings
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from ingest import Channel, Finding, Run, open_campaign
from tests.buffet.campaigns import RATE_HZ, PlantedRun, lift_run, wind_off, write_runs
from tests.buffet.test_usable_band import a_run

Array = NDArray[np.float64]

N = 15_000  # 60 s
LIFT = Channel("lift", "fz", "lift", "N", 1.0)
DRAG = Channel("drag", "fx", "drag", "N", 1.0)
FILTERED = {"antialias_cutoff_hz": 100.0}


def white(seed: int, n: int = N) -> Array:
    """Gaussian, standard deviation 1."""
    return np.random.default_rng(seed).standard_normal(n)


def spectra_of(*channels: Array, segment: int = 650) -> SegmentSpectra:
    """Through the engine, 2.6 s a segment."""
    engine = SegmentEngine(len(channels), SegmentSettings(RATE_HZ, segment))
    engine.push(np.array(channels))
    return engine.finish()


def found(run: Run, *channels: Array, segment: int = 650) -> list[Finding]:
    """Of samples of the run's channels; everything up to half the rate may be used."""
    return record_findings(run, spectra_of(*channels, segment=segment), lambda c: 125.0, [])


def number(pattern: str, finding: Finding) -> float:
    """A value that the message names."""
    match = re.search(pattern, finding.message)
    assert match, finding.message
    return float(match.group(1))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_drifting_mean(sign: float) -> None:
    """A line of 3 N over the record: 2 N between outer thirds; RMS √(1 + 9/12) = 1.32 N, 151 %."""
    drift = sign * 3.0 * np.arange(N) / N
    (finding,) = found(a_run(DRAG, LIFT, **FILTERED), white(1), white(2) + drift)

    assert (finding.severity, finding.code, finding.channel) == ("warning", "mean-drifts", "lift")
    assert f"the mean {'rises' if sign > 0 else 'falls'} by" in finding.message
    assert number(r"by ([\d.]+) N", finding) == pytest.approx(2.0, abs=0.1)
    assert number(r"\((\d+)% of the RMS\)", finding) == pytest.approx(151, abs=8)


def test_a_drifting_variance() -> None:
    """A line from 1 to 3: its outer thirds are 2/3 · 2 of 2 apart, 67 %; the mean stands."""
    growth = np.sqrt(1 + 2 * np.arange(N) / N)
    (finding,) = found(a_run(DRAG, LIFT, **FILTERED), white(1), white(2) * growth)

    assert (finding.code, finding.channel) == ("variance-drifts", "lift")
    assert number(r"rises by (\d+)% of it", finding) == pytest.approx(67, abs=12)


def wake(seed: int) -> Array:
    """A resonance of Q 6 at 10 Hz."""
    radius, angle = np.exp(-np.pi * 10 / 6 / RATE_HZ), 2 * np.pi * 10 / RATE_HZ
    feedback = [1.0, -2 * radius * np.cos(angle), radius**2]
    return np.asarray(signal.lfilter([1.0], feedback, white(seed, N + 1000))[1000:])


def switching(seed: int) -> Array:
    """Two states of 2 s on average."""
    changes = np.cumsum(np.random.default_rng(seed).random(N) < 1 / (2 * RATE_HZ))
    return np.asarray(10.0 * (changes % 2) + white(seed + 1))


@pytest.mark.parametrize("kind", [white, wake, switching])
@pytest.mark.parametrize("seed", range(10, 20))
def test_steady_records_pass(kind, seed: int) -> None:  # type: ignore[no-untyped-def]
    """Noise, a wake and a wake of two states: seven channels each."""
    channels = [replace(LIFT, name=f"lift {i}") for i in range(7)]
    samples = [kind(100 * seed + i) for i in range(7)]

    assert found(a_run(*channels, **FILTERED), *samples) == []


def test_a_small_drift_of_a_long_record_passes() -> None:
    """Significant over 20 minutes, but a tenth of the RMS: it holds 0.2 % of the variance."""
    long = white(3, 20 * N) + 0.15 * np.linspace(0, 1, 20 * N)

    assert found(a_run(LIFT, **FILTERED), long) == []


@pytest.mark.parametrize("stated", [{"measures": "temperature"}, {"measures": "other"}])
def test_some_channels_may_drift(stated: Any) -> None:
    """A room warms up; the same in a wind-off run is the zeros' matter."""
    drifting = white(1) + 3.0 * np.arange(N) / N

    assert found(a_run(replace(LIFT, **stated), **FILTERED), drifting) == []
    assert found(a_run(LIFT, kind="wind-off"), drifting) == []


def test_a_dead_channel_does_not_drift() -> None:
    """Neither does it hide the one beside it."""
    drift = 3.0 * np.arange(N) / N
    (finding,) = found(a_run(DRAG, LIFT, **FILTERED), np.zeros(N), white(2) + drift)

    assert (finding.code, finding.channel) == ("mean-drifts", "lift")


CORNER_HZ = 12.5


def relaxing(seed: int) -> Array:
    """Samples of a process of power 1 / (1 + (f / 12.5 Hz)²), as they are without a filter."""
    kept = np.exp(-2 * np.pi * CORNER_HZ / RATE_HZ)
    driven = signal.lfilter([np.sqrt(1 - kept**2)], [1.0, -kept], white(seed, N + 500))
    return np.asarray(driven[500:])


def test_folded_power() -> None:
    """Above 125 Hz lies 2/π · atan(12.5/125) = 6.3 % of the variance.

    Folded from 2 · 125 Hz - f it is a tenth of what is at f where (f² + 12.5²) is a tenth of
    ((250 - f)² + 12.5²): 60 Hz.
    """
    (finding,) = found(a_run(DRAG, LIFT), wake(5), relaxing(6))

    assert (finding.severity, finding.code, finding.channel) == ("warning", "aliasing", None)
    assert "the spectrum of lift has not died out at 125 Hz" in finding.message
    share = number(r"about (\d+)% of its variance", finding)
    assert 6.3 / 1.5 < share < 6.3 * 1.5  # from one slope, and the nearest image alone
    assert number(r"false above ([\d.]+) Hz", finding) == pytest.approx(60, rel=0.2)
    assert "alike" not in finding.message


def test_white_signals_may_be_folded_everywhere() -> None:
    """Two channels that do not fall off at all are told together, with the worse one's name."""
    (finding,) = found(a_run(DRAG, LIFT), relaxing(6), white(7))

    assert "the spectrum of lift" in finding.message
    assert "(1 other channel alike)" in finding.message
    assert finding.message.endswith("spectra may be false at any frequency")


def test_a_stated_filter_settles_it() -> None:
    """Its cutoff is judged elsewhere."""
    assert found(a_run(LIFT, **FILTERED), relaxing(6)) == []


def test_spectra_that_fall_off_pass() -> None:
    """A filtered signal, a small white floor, a tone near half the rate, a slow channel."""
    sections = signal.butter(4, 60.0, fs=RATE_HZ, output="sos")
    filtered = np.asarray(signal.sosfilt(sections, white(8)))
    tone = wake(9) + 2.0 * np.sin(2 * np.pi * 119.3 * np.arange(N) / RATE_HZ)
    floor = wake(9) + 0.1 * wake(9).std() * white(10)
    run = a_run(*[replace(LIFT, name=name) for name in ("filtered", "tone", "floor")])
    other = replace(LIFT, measures="other")

    assert found(run, filtered, tone, floor) == []
    assert found(a_run(other), white(11)) == []


@pytest.mark.parametrize("height", [2.0, 1000.0])
def test_spikes_are_not_told_as_folded_power(tmp_path: Path, height: float) -> None:
    """Single samples, spikes or a logger's mark, make a spectrum flat; they are told as such."""
    lift = band_limited(1)
    lift[2000::4000] = height
    found = codes(write_runs(tmp_path / "c", [PlantedRun("1", {"lift": lift})]))

    assert "aliasing" not in found
    assert ("spikes" in found) != ("outlying-value" in found)


def test_noise_of_the_sensor_is_not_folded_flow(tmp_path: Path) -> None:
    """A wind-off run with the same floor explains it; one with a tenth of it does not."""
    lift = band_limited(1) + 0.01 * white(12)
    quiet = replace(wind_off("0"), samples={"lift": 0.01 * white(13, 5000)})
    quieter = replace(wind_off("0"), samples={"lift": 0.003 * white(13, 5000)})
    run = PlantedRun("1", {"lift": lift}, zero="0")

    assert "aliasing" in codes(write_runs(tmp_path / "none", [replace(run, zero=None)]))
    assert "aliasing" not in codes(write_runs(tmp_path / "same", [quiet, run]))
    assert "aliasing" in codes(write_runs(tmp_path / "less", [quieter, run]))


def band_limited(seed: int) -> Array:
    """A wake of 0.03 RMS."""
    samples = wake(seed)
    return np.asarray(0.03 * samples / samples.std())


def codes(folder: Path) -> list[str]:
    """What `analyse` finds in a campaign."""
    return [finding.code for finding in analyse(open_campaign(folder)).findings]


@pytest.mark.parametrize(("segments", "told"), [(19, True), (20, False)])
def test_few_segments(segments: int, told: bool) -> None:
    """Nineteen segments of 2.6 s need 26 s; twenty need 27.3 s."""
    samples = white(1, 325 * (segments + 1))
    findings = found(a_run(LIFT, **FILTERED), samples)

    assert [finding.code for finding in findings] == (["few-segments"] if told else [])
    if told:
        assert findings[0].message.startswith("26 s give 19 segments of 2.6 s; with fewer than 20")


def test_a_run_that_was_cut_short(tmp_path: Path) -> None:
    """9 s among runs of 20 s; wind-off runs are compared with their own kind alone."""
    runs = [lift_run(number, 0.03, seconds=20.0) for number in ("2", "3")]
    runs += [lift_run("1", 0.03, seconds=9.0), wind_off("0", seconds=5.0)]
    found = analyse(open_campaign(write_runs(tmp_path / "c", runs))).findings

    (short,) = [finding for finding in found if finding.code == "short-run"]

    assert (short.severity, short.run, short.channel) == ("warning", "1", None)
    assert short.message.startswith("the record is 9 s long, the wind-on runs' median is 20 s")


def test_two_runs_have_no_usual_length(tmp_path: Path) -> None:
    """Neither is the odd one out."""
    runs = [lift_run("1", 0.03, seconds=5.0), lift_run("2", 0.03, seconds=20.0)]

    assert "short-run" not in codes(write_runs(tmp_path / "c", runs))


def test_noise_that_cannot_be_taken_out_is_told(tmp_path: Path) -> None:
    """A wind-off run without the pitch moment; with it there is nothing to say."""
    on, off = replace(lift_run("1", 0.03), zero="0"), wind_off("0")
    fewer = {word: load for word, load in off.samples.items() if word != "pitch moment"}
    lacking = write_runs(tmp_path / "lacking", [replace(off, samples=fewer), on])

    found = analyse(open_campaign(lacking)).findings

    (told,) = [finding for finding in found if finding.code == "noise-not-removed"]
    assert (told.severity, told.run) == ("warning", "1")
    assert told.message.endswith(
        "wind-off run 0 is not taken out of the fluctuations: it has no pitch moment."
    )
    assert "noise-not-removed" not in codes(write_runs(tmp_path / "whole", [off, on]))
