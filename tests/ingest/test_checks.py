"""Checks on planted faults: what is planted is found with its size, and nothing else."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.channel import Channel
from ingest.checks import RecordChecks
from ingest.findings import Finding
from ingest.recording import ClockSummary

RATE_HZ = 500.0
N = 30_000
EVEN = ClockSummary(N, False, 0.0, 60.0, RATE_HZ, 0.002, 0.002, 0.002, 0.0, 0, 0, 0, 0)
STAMPED = dataclasses.replace(EVEN, stamped=True)
RNG = np.random.default_rng(20260302)
NOISE = RNG.standard_normal(N)
TIME_S = np.arange(N) / RATE_HZ


def channel(**stated: Any) -> Channel:
    return dataclasses.replace(Channel("lift", 1, "lift", "N", 1.0), **stated)


def found(
    samples: NDArray[np.float64],
    clock: ClockSummary = EVEN,
    block: int = 7001,
    **stated: Any,
) -> tuple[Finding, ...]:
    """Findings on one channel, fed in blocks."""
    checks = RecordChecks([channel(**stated)], [RATE_HZ])
    for start in range(0, samples.size, block):
        checks.feed(samples[None, start : start + block])
    return checks.findings("014", clock)


def only(findings: tuple[Finding, ...]) -> Finding:
    (finding,) = findings
    return finding


@pytest.mark.parametrize(
    "samples",
    [
        NOISE,
        np.rint(1000.0 * NOISE),
        np.rint(3.0 * NOISE),
        np.rint(0.4 * NOISE),
        np.rint(0.1 + 0.2 * NOISE),
        np.sin(2 * np.pi * 5.0 * TIME_S),
        np.rint(5.0 * np.sin(2 * np.pi * 0.5 * TIME_S)),
        np.rint(7.49 * np.sin(2 * np.pi * 0.31 * TIME_S)),
        np.rint(100.0 * np.convolve(NOISE, np.ones(50) / 50, "same")),
        np.rint(TIME_S + 0.3 * NOISE),
        np.exp(NOISE),
    ],
    ids=[
        *("noise", "counts", "few-counts", "one-count", "rare-count", "sine", "coarse-sine"),
        *("crest-between-counts", "slow-counts", "drift", "skew"),
    ],
)
@pytest.mark.parametrize("block", [7001, N])
def test_good_signals_pass(samples: NDArray[np.float64], block: int) -> None:
    """Noise, sines and drift, as floats and as few or many counts, raise nothing."""
    assert found(samples, block=block) == ()


@pytest.mark.parametrize(("planted", "severity"), [(3, "warning"), (40, "error")])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_samples_at_full_scale(planted: int, severity: str, sign: float) -> None:
    """Counted, with the share and the time of the first; an error above one in a thousand."""
    samples = NOISE.copy()
    samples[9000 : 9000 + 5 * planted : 5] = sign * 9.9997

    finding = only(found(samples, full_scale_raw=10.0))

    assert (finding.severity, finding.code, finding.channel) == (severity, "clipped", "lift")
    assert finding.message.startswith(f"{planted} samples (")
    assert finding.message.endswith("reach the full scale of 10, first at 18 s")


def test_time_of_clipping_counts_from_the_start_of_the_recording() -> None:
    """A record that uses the recording from 5 s on says so."""
    samples = NOISE.copy()
    samples[500] = 10.0

    finding = only(found(samples, dataclasses.replace(EVEN, first_s=5.0), full_scale_raw=10.0))

    assert "first at 6 s" in finding.message


@pytest.mark.parametrize(
    "samples",
    [
        np.clip(np.sin(2 * np.pi * 3.7 * TIME_S), -0.8, 2.0),
        np.clip(NOISE, -1.5, 9.0),
        np.rint(np.clip(200.0 * NOISE, -400.0, 9e9)),
        np.where(np.abs(TIME_S - 28.0) < 0.05, -6.0, NOISE),
    ],
    ids=["sine", "noise", "counts", "once"],
)
@pytest.mark.parametrize("block", [1000, N])
def test_flat_bottoms_without_a_stated_full_scale(samples: NDArray[np.float64], block: int) -> None:
    """The level, and as many samples as stand at it."""
    planted = int(np.count_nonzero(samples == samples.min()))

    finding = only(found(samples, block=block))

    assert (finding.severity, finding.code) == ("warning", "flat-tops")
    assert finding.message.startswith(f"{planted} samples (")
    assert f"extreme of {samples.min():g}, as if" in finding.message


def test_a_trigger_may_be_flat() -> None:
    """Two levels are what such a channel is for."""
    assert found((TIME_S % 1.0 < 0.3).astype(float), measures="other") == ()


@pytest.mark.parametrize(("planted", "severity"), [(30, "note"), (600, "warning"), (1800, "error")])
@pytest.mark.parametrize("lost", [np.nan, np.inf])
def test_missing_samples(planted: int, severity: str, lost: float) -> None:
    """Above 1 % a warning, above 5 % an error; the longest gap is told across blocks."""
    samples = NOISE.copy()
    samples[6990 : 6990 + planted - 5] = lost
    samples[20_000:20_005] = lost

    finding = only(found(samples))

    assert (finding.severity, finding.code) == (severity, "missing-samples")
    assert finding.message.startswith(f"{planted} of {N} samples are missing")
    assert finding.message.endswith(f"the longest gap {(planted - 5) / RATE_HZ:.3g} s")


@pytest.mark.parametrize(
    ("measures", "severity"),
    [("lift", "error"), ("pressure", "error"), ("air speed", "warning"), ("temperature", "note")],
)
def test_a_constant_channel(measures: str, severity: str) -> None:
    """A dead force or pressure is an error; a temperature may stand still."""
    samples = np.full(N, 2.5)
    samples[3] = np.nan

    findings = found(samples, measures=measures)

    assert [finding.code for finding in findings] == ["missing-samples", "constant"]
    assert findings[1].severity == severity
    assert findings[1].message == f"all {N - 1} samples are 2.5"


@pytest.mark.parametrize(
    ("samples", "hold", "rate"),
    [
        (np.repeat(NOISE, 100), 100, 5),
        (np.rint(5.0 * np.repeat(NOISE, 10)), 10, 50),
        (NOISE[(np.arange(N) / (10 / 3)).astype(int)], 3.33, 150),
    ],
    ids=["slow", "counts", "uneven"],
)
def test_held_values(samples: NDArray[np.float64], hold: float, rate: float) -> None:
    """A sensor read more often than it measures, whatever its digits, and how often it does."""
    finding = only(found(samples[:N]))

    assert (finding.severity, finding.code) == ("warning", "held-values")
    assert finding.message == (
        f"the value changes only every ~{hold:g} samples: really about {rate:g} Hz, not 500 Hz"
    )
    assert finding.advice.startswith(f"trust nothing above {rate / 2:g} Hz")


def test_held_temperature_is_a_note() -> None:
    """Slow channels are often read slowly, and may be."""
    assert only(found(np.repeat(NOISE, 50)[:N], measures="temperature")).severity == "note"


@pytest.mark.parametrize(
    ("clock", "severity", "code", "words"),
    [
        ({"gaps": 2, "lost_samples": 100, "largest_step_s": 0.15}, "warning", "clock-gaps",
         "the time stamps have 2 gaps, the longest 0.15 s; about 100 samples (0.33 %) are lost"),
        ({"gaps": 1, "lost_samples": 3000}, "error", "clock-gaps", "3000 samples (9.1 %)"),
        ({"jitter_s": 1e-4}, "note", "clock-jitter", "by 0.1 ms r.m.s. (5.0 % of a step)"),
        ({"jitter_s": 5e-4}, "warning", "clock-jitter", "(25 % of a step), from 2 to 2 ms"),
        ({"backward": 1, "smallest_step_s": -3600.0}, "error", "clock-backward",
         "the time stamps run backwards 1 times, by up to 3600 s"),
        ({"repeated": 3}, "warning", "clock-repeated", "3 of 30000 time stamps equal the one"),
        ({"repeated": 15_000, "jitter_s": 1e-3}, "note", "clock-coarse", "15000 of 30000 time"),
        ({"measured_rate_hz": 501.0}, "warning", "clock-rate",
         "the time stamps give 501 Hz, the rate used is 500 Hz (0.20 % apart)"),
        ({"measured_rate_hz": 480.0}, "error", "clock-rate", "480 Hz"),
    ],
)  # fmt: skip
def test_clock_findings(clock: dict[str, Any], severity: str, code: str, words: str) -> None:
    """Each fault of the clock by itself, with its size; about the run, not a channel."""
    finding = only(found(NOISE, dataclasses.replace(STAMPED, **clock)))

    assert (finding.severity, finding.code, finding.channel) == (severity, code, None)
    assert words in finding.message


@pytest.mark.parametrize(
    ("rate_hz", "stamped", "said", "advice"),
    [
        (500e3, True, "30000 samples at 500000 Hz are a record of 0.06 s", "check time_unit"),
        (0.5, True, "30000 samples at 0.5 Hz are a record of 6e+04 s", "check time_unit"),
        (500e3, False, "30000 samples at 500000 Hz are", "check the unit of the stated rate"),
    ],
)
def test_a_clock_in_another_unit(rate_hz: float, stamped: bool, said: str, advice: str) -> None:
    """A minute that became 60 ms or 17 hours says what rate came out."""
    checks = RecordChecks([channel()], [rate_hz])
    checks.feed(NOISE[None])
    clock = dataclasses.replace(EVEN, stamped=stamped, measured_rate_hz=rate_hz)

    finding = only(checks.findings("014", clock))

    assert (finding.severity, finding.code) == ("error", "implausible-clock")
    assert finding.message.startswith(said)
    assert finding.advice.startswith(advice)


def test_small_faults_of_the_clock_pass() -> None:
    """Jitter below a hundredth of a step and a rate within one in a thousand are usual."""
    clock = dataclasses.replace(STAMPED, jitter_s=1e-5, measured_rate_hz=500.3)

    assert found(NOISE, clock) == ()


def test_findings_name_run_and_channel_in_the_channels_order() -> None:
    """Two channels of one run, both faulty."""
    checks = RecordChecks([channel(), channel(name="drag", measures="drag")], [RATE_HZ] * 2)
    checks.feed(np.zeros((2, 100)))

    findings = checks.findings("014", EVEN)

    assert [(f.run, f.channel) for f in findings] == [("014", "lift"), ("014", "drag")]


@pytest.mark.parametrize(
    ("mark", "times", "said"),
    [
        (999.999, 3, "3 samples are 999.999, all others between"),
        (-9999.0, 1, "1 sample is -9999, all others between"),
    ],
)
def test_a_value_far_beyond_all_others(mark: float, times: int, said: str) -> None:
    """What a logger writes for a failed reading, planted now and then, is named with its number."""
    samples = NOISE.copy()
    samples[1000 : 1000 + 9000 * times : 9000] = mark
    finding = only(found(samples))
    assert (finding.code, finding.severity) == ("outlying-value", "warning")
    assert said in finding.message
    assert f'missing = ["{mark:.9g}"]' in finding.advice


def test_a_strong_gust_is_no_outlying_value() -> None:
    """Eight times beyond the rest's span: a spike, but no sign of the logger's."""
    samples = NOISE.copy()
    samples[12_000] = samples.max() + 8 * np.ptp(samples)
    assert only(found(samples)).code == "spikes"


def test_marks_in_a_row_are_no_flat_top_but_may_be_clipped() -> None:
    """A gap of marks is told once; at full scale the clipping is told as well."""
    samples = NOISE.copy()
    samples[1000:1010] = 999.0
    assert [finding.code for finding in found(samples)] == ["outlying-value"]
    codes = {finding.code for finding in found(samples, full_scale_raw=999.0)}
    assert codes == {"outlying-value", "clipped"}


@pytest.mark.parametrize(
    ("share", "severity"), [(0.01, "warning"), (0.05, "error"), (0.30, "error"), (0.90, "error")]
)
@pytest.mark.parametrize("block", [1000, 7001, N])
@pytest.mark.parametrize("place", ["first", "middle", "last"])
def test_a_channel_stuck_in_part_of_the_record(
    share: float, severity: str, block: int, place: str
) -> None:
    """Where it begins, how long it lasts and at which value, wherever it stands."""
    n = round(share * N)
    start = {"first": 0, "middle": (N - n) // 2, "last": N - n}[place]
    samples = np.rint(1000.0 * NOISE)
    samples[start : start + n] = 0.5

    finding = only(found(samples, block=block))

    assert (finding.severity, finding.code, finding.channel) == (severity, "stuck", "lift")
    assert finding.message.startswith(
        f"the value stays at 0.5 from {start / RATE_HZ:.4g} s on for {n / RATE_HZ:.4g} s "
    )
    assert f"({100 * share:.2g}" in finding.message
    assert finding.message.endswith("though it usually changes every sample")


def test_a_stretch_at_the_extreme_is_told_once() -> None:
    """A dropout to a value below all others is stuck, not clipped as well."""
    samples = NOISE.copy()
    samples[9000:9600] = -6.0
    assert [finding.code for finding in found(samples)] == ["stuck"]
    assert [f.code for f in found(samples, full_scale_raw=6.0)] == ["clipped"]


def test_a_gap_moves_nothing() -> None:
    """The place of a stuck stretch counts the missing samples before it."""
    samples = NOISE.copy()
    samples[1000:1100] = np.nan
    samples[9000:] = 0.25

    findings = found(samples)

    assert [finding.code for finding in findings] == ["missing-samples", "stuck"]
    assert "stays at 0.25 from 18 s on for 42 s (70 % of the record)" in findings[1].message


@pytest.mark.parametrize(
    "samples",
    [
        np.rint(TIME_S + 0.05 * NOISE),
        np.rint(TIME_S / 4 + 0.01 * NOISE),
        np.rint(0.1 + 0.12 * NOISE),
    ],
    ids=["flickering", "staircase", "rare"],
)
def test_coarse_counts_are_not_stuck(samples: NDArray[np.float64]) -> None:
    """A value that usually lasts long may last."""
    assert "stuck" not in [finding.code for finding in found(samples)]


def test_one_glitch_does_not_bring_a_dead_channel_to_life() -> None:
    """All samples equal but one."""
    finding = only(found(np.where(np.arange(N) == 9000, 0.1, 0.0), full_scale_raw=10.0))
    assert finding.code == "stuck"
    assert "stays at 0 from 18 s on for 42 s" in finding.message


def test_held_values_may_be_stuck_too() -> None:
    """Of a sensor that is read every hundred samples, a stretch of thirty values' length."""
    samples = np.repeat(NOISE, 100)[:N]
    samples[20_000:23_000] = 0.5

    assert [f.code for f in found(samples)] == ["stuck", "held-values"]
    samples[20_000:21_000] = np.repeat(NOISE[:10], 100)
    samples[21_000:23_000] = np.repeat(NOISE[-20:], 100)
    assert [f.code for f in found(samples)] == ["held-values"]


@pytest.mark.parametrize(
    ("measures", "severities"),
    [("bridge", ["error"]), ("dynamic pressure", ["warning"]), ("temperature", []), ("other", [])],
)
def test_what_may_stand_still(measures: str, severities: list[str]) -> None:
    """A temperature often does for minutes; the wind's pressure does not."""
    samples = NOISE.copy()
    samples[9000:] = 0.25
    assert [f.severity for f in found(samples, measures=measures)] == severities
