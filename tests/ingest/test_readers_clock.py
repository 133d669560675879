"""Time stamps: the rate they give, the part they cut, and what is said about their evenness."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.readers import part
from ingest.readers.clock import ClockMeter, estimate_rate_hz
from ingest.recording import ClockOptions, ClockSummary
from tests.ingest.readers_support import opened, read

BY_T = ClockOptions(time_column="t")


def measured(time_s: NDArray[np.floating], rate_hz: float = 100.0) -> ClockSummary:
    """The summary of these stamps, fed in blocks of a thousand."""
    meter = ClockMeter()
    for start in range(0, time_s.size, 1000):
        meter.feed(np.asarray(time_s[start : start + 1000], dtype=np.float64))
    return meter.summary(rate_hz)


@pytest.mark.parametrize(
    ("rows", "clock"),
    [
        ("0|0.25|0.5|0.75", BY_T),
        ("17|17.25|17.5|17.75", ClockOptions(time_column=0)),
        ("0|250|500|750", ClockOptions(time_column="t", time_unit_s=1e-3)),
        ("2026-03-02 23:59:59.5|2026-03-02 23:59:59.75|2026-03-03|2026-03-03 00:00:00.25", BY_T),
        (
            '"2026-03-02T10:00:00Z"|"2026-03-02T10:00:00.25Z"'
            '|"2026-03-02T10:00:00.50Z"|"2026-03-02T10:00:00.7500Z"',
            ClockOptions(time_column="t", time_format="iso"),
        ),
        (
            "02.03.26 10:14:00.00|02.03.26 10:14:00.25|02.03.26 10:14:00.50|02.03.26 10:14:00.75",
            ClockOptions(time_column="t", time_format="%d.%m.%y %H:%M:%S.%f"),
        ),
        (
            "10:14:00,00|10:14:00,25|10:14:00,50|10:14:00,75",
            ClockOptions(time_column="t", time_format="%H:%M:%S,%f"),
        ),
    ],
    ids=["seconds", "offset", "milliseconds", "iso", "iso-utc", "pattern", "time-of-day"],
)
def test_stamps_become_seconds_since_the_first(
    tmp_path: Path, rows: str, clock: ClockOptions
) -> None:
    """Four stamps a quarter of a second apart, written in the usual ways."""
    text = "t;fx\n" + "".join(f"{row};{n}\n" for n, row in enumerate(rows.split("|")))

    recording = opened(tmp_path, text, clock)
    (block,) = recording.blocks(["fx"])

    assert block.time_s is not None
    np.testing.assert_allclose(block.time_s, [0, 0.25, 0.5, 0.75], rtol=0, atol=1e-12)
    np.testing.assert_array_equal(block.samples, [[0, 1, 2, 3]])
    assert recording.rate_hz == 4.0
    assert recording.clock.measured_rate_hz == pytest.approx(4.0, rel=1e-12)


def test_stamps_keep_their_digits_over_a_long_day(tmp_path: Path) -> None:
    """Microseconds of this century survive, which seconds since 1970 in one float would not."""
    text = "t,fx\n2026-03-02T10:14:00.000001,1\n2026-03-02T10:14:00.000002,2\n"

    recording = opened(tmp_path, text, BY_T)
    (block,) = recording.blocks(["fx"])

    assert block.time_s is not None
    assert block.time_s[1] == pytest.approx(1e-6, rel=1e-9)


def test_a_stated_rate_needs_no_stamps(tmp_path: Path) -> None:
    """The clock is then even by definition."""
    recording = opened(tmp_path, "fx\n1\n2\n3\n", ClockOptions(rate_hz=20.0))
    (block,) = recording.blocks(["fx"])

    assert block.time_s is None
    assert recording.rate_hz == 20.0
    expected = ClockSummary(3, False, 0.0, 0.1, 20.0, 0.05, 0.05, 0.05, 0.0, 0, 0, 0, 0)
    assert recording.clock == expected


@pytest.mark.parametrize("stamped", [True, False])
@pytest.mark.parametrize(
    ("from_s", "to_s", "first", "last"),
    [
        (None, None, 0, 99),
        (0.3, None, 3, 99),
        (None, 0.7, 0, 6),
        (0.3, 0.7, 3, 6),
        (0.31, 0.69, 4, 6),
        (9.9, 20.0, 99, 99),
    ],
)
@pytest.mark.parametrize("block_rows", [1, 7, 65_536])
def test_the_part_from_to(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    stamped: bool,
    from_s: float | None,
    to_s: float | None,
    first: int,
    last: int,
    block_rows: int,
) -> None:
    """The first sample at or after `from` to the last before `to`, counted from the first one."""
    monkeypatch.setattr(part, "BLOCK_ROWS", block_rows)
    text = "t,fx\n" + "".join(f"{2.0 + n / 10:.1f},{n}\n" for n in range(100))
    clock = ClockOptions(time_column="t") if stamped else ClockOptions(rate_hz=10.0)

    recording = opened(tmp_path, text, dataclasses.replace(clock, from_s=from_s, to_s=to_s))

    np.testing.assert_array_equal(read(recording, ["fx"]), [np.arange(first, last + 1)])
    assert recording.clock.n == last + 1 - first
    assert recording.clock.first_s == pytest.approx(first / 10)
    assert recording.clock.last_s == pytest.approx(last / 10)


@pytest.mark.parametrize("rate_hz", [1.0, 20.0, 1000.0, 48_000.0, 333.3])
def test_rate_of_even_stamps(rate_hz: float) -> None:
    """Round rates come back exactly, however the stamps are rounded in the last digit."""
    assert estimate_rate_hz(np.arange(10_000) / rate_hz) == pytest.approx(rate_hz, rel=1e-12)


@pytest.mark.parametrize(
    ("step_s", "resolution_s"), [(0.010003, 1e-3), (0.0005, 1e-3), (0.0501, 1e-2)]
)
def test_rate_of_coarse_stamps(step_s: float, resolution_s: float) -> None:
    """Stamps cut to their resolution, even if coarser than the step, still tell the mean step."""
    time_s = np.floor(np.arange(10_000) * step_s / resolution_s) * resolution_s

    assert estimate_rate_hz(time_s) == pytest.approx(1.0 / step_s, rel=3e-4)


def test_rate_with_jitter_gap_and_uneven_start() -> None:
    """Neither a pause nor a slow start of the logger changes the rate."""
    rng = np.random.default_rng(4)
    even = np.arange(10_000) * 0.01
    jittered = even + rng.uniform(-1e-3, 1e-3, even.size)
    paused = np.where(np.arange(even.size) < 4000, even, even + 7.0)
    slow_start = np.concatenate([np.cumsum(rng.uniform(0.005, 0.013, 500)) - 10.0, even])

    assert estimate_rate_hz(jittered) == pytest.approx(100.0, rel=2e-4)
    assert estimate_rate_hz(paused) == 100.0
    assert estimate_rate_hz(slow_start) == 100.0


def test_stamps_that_stand_still_have_no_rate() -> None:
    """Nothing follows from one stamp, or from equal ones."""
    assert estimate_rate_hz(np.zeros(5)) is None
    assert estimate_rate_hz(np.zeros(1)) is None


def test_an_even_clock() -> None:
    """No step differs from another."""
    clock = measured(3.0 + np.arange(2500) * 0.01)

    assert (clock.n, clock.stamped, clock.first_s) == (2500, True, 3.0)
    assert (clock.gaps, clock.repeated, clock.backward, clock.lost_samples) == (0, 0, 0, 0)
    assert clock.measured_rate_hz == pytest.approx(100.0, rel=1e-9)
    assert clock.jitter_s < 1e-12


@pytest.mark.parametrize("at", [500, 1000])
def test_a_gap_is_counted_and_left_out_of_the_rate(at: int) -> None:
    """Forty lost samples, inside a block and between two."""
    time_s = np.arange(2500) * 0.01
    time_s[at:] += 0.4

    clock = measured(time_s)

    assert (clock.gaps, clock.lost_samples) == (1, 40)
    assert clock.largest_step_s == pytest.approx(0.41)
    assert clock.measured_rate_hz == pytest.approx(100.0, rel=1e-9)


def test_a_clock_that_was_set_back_and_one_that_stuttered() -> None:
    """Both are counted, and the rate is still told by the rest."""
    time_s = np.arange(2500) * 0.01
    time_s[1500:] -= 3600.0
    time_s[700] = time_s[699]

    clock = measured(time_s)

    assert (clock.backward, clock.repeated) == (1, 1)
    assert clock.smallest_step_s == pytest.approx(0.01 - 3600.0)
    assert clock.measured_rate_hz == pytest.approx(100.0, rel=1e-3)


def test_jitter_is_the_scatter_of_the_steps() -> None:
    """Stamps off by independent Gaussian errors make steps that scatter √2 times as much."""
    errors = np.random.default_rng(5).normal(0.0, 2e-4, 20_000)

    clock = measured(np.arange(errors.size) * 0.01 + errors)

    assert clock.jitter_s == pytest.approx(2e-4 * np.sqrt(2.0), rel=0.02)
    assert clock.gaps == 0


def test_stamps_coarser_than_the_sampling_are_no_gaps() -> None:
    """2 kHz stamped to the millisecond: every other stamp is repeated."""
    clock = measured(np.floor(np.arange(4000) * 0.5) * 1e-3, 2000.0)

    assert (clock.repeated, clock.gaps, clock.backward) == (2000, 0, 0)
    assert clock.measured_rate_hz == pytest.approx(2000.0, rel=1e-3)


def test_one_sample_has_a_clock_too() -> None:
    """Its rate is the one that was given."""
    clock = measured(np.array([4.0]), 50.0)

    assert (clock.n, clock.measured_rate_hz, clock.median_step_s) == (1, 50.0, 0.02)
