"""Wind-off zeros: what the channels read without wind, linear in time between two readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from ingest.channel import FORCES, MOMENTS, PRESSURES, Channel
from ingest.findings import Finding

# Channels with a zero of their own. Temperature, static pressure and speed have a true value
# without wind; a coefficient had its zero removed by whoever made it one.
ZEROED = (*FORCES, *MOMENTS, *PRESSURES, "bridge", "acceleration", "dynamic pressure")

# Of full scale, between the two zeros of a run. Strain-gauge balances are quoted at about 0.1 %
# of full scale (common practice, no source): a drift five times that spoils the mean values.
DRIFT_NOTED = 0.001
DRIFT_WARNED = 0.005


@dataclass(frozen=True)
class ZeroReading:
    """What a wind-off run reads on average."""

    run: str
    at: datetime | None  # the middle of the record
    means: Mapping[str, float]  # by channel name, in calibrated units


@dataclass(frozen=True)
class ZeroLine:
    """Zeros of all channels: constant, or linear in time between two moments."""

    before: NDArray[np.float64]  # (n_channels,), 0 where a channel has no zero
    after: NDArray[np.float64]  # (n_channels,)
    before_s: float = 0.0  # after the run's start
    after_s: float = 0.0  # equal to before_s: constant
    runs: tuple[str, ...] = ()  # the wind-off runs used

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Zeros at times (n,) after the run's start: (n_channels, n), or (n_channels, 1)."""
        if self.after_s <= self.before_s:
            return self.before[:, None]
        share = (np.clip(time_s, self.before_s, self.after_s) - self.before_s) / (
            self.after_s - self.before_s
        )
        line: NDArray[np.float64] = self.before[:, None] + np.outer(self.after - self.before, share)
        return line


@dataclass(frozen=True)
class RunClock:
    """Which run is being zeroed and when it started."""

    number: str
    started: datetime | None


def has_zero(channel: Channel) -> bool:
    """Whether a wind-off zero is removed from a channel."""
    return channel.measures in ZEROED and not channel.is_coefficient


def zero_line(
    run: RunClock,
    channels: Sequence[Channel],
    before: ZeroReading | None,
    after: ZeroReading | None,
) -> tuple[ZeroLine | None, tuple[Finding, ...]]:
    """The zeros of a run from one or two wind-off readings, and what is odd about them.

    Linear in time between the middles of the two; their mean where a starting time is missing or
    the two are not in order; constant with one; None without any.
    """
    first, last = before or after, after or before
    if first is None or last is None:
        return None, ()
    means = [_means(channels, reading) for reading in (first, last)]
    runs = tuple(dict.fromkeys((first.run, last.run)))
    times_s = _times_s(run, first, last)
    findings = _not_in_zero(run, channels, first) + _not_in_zero(run, channels, last)
    if len(runs) == 2:
        findings += _drift(run, channels, means[0], means[1])
        findings += _out_of_order(run, times_s)
    if times_s is None or len(runs) == 1:
        middle = 0.5 * (means[0] + means[1])
        return ZeroLine(middle, middle, runs=runs), tuple(dict.fromkeys(findings))
    return ZeroLine(means[0], means[1], *times_s, runs), tuple(dict.fromkeys(findings))


def _means(channels: Sequence[Channel], reading: ZeroReading) -> NDArray[np.float64]:
    return np.array([reading.means.get(c.name, 0.0) if has_zero(c) else 0.0 for c in channels])


def _times_s(run: RunClock, first: ZeroReading, last: ZeroReading) -> tuple[float, float] | None:
    """Moments of both readings after the run's start; None where one is unknown or out of order."""
    if run.started is None or first.at is None or last.at is None:
        return None
    before_s = (first.at - run.started).total_seconds()
    after_s = (last.at - run.started).total_seconds()
    return (before_s, after_s) if before_s < after_s else None


def _not_in_zero(run: RunClock, channels: Sequence[Channel], reading: ZeroReading) -> list[Finding]:
    return [
        Finding(
            "warning",
            "zero-missing",
            run.number,
            channel.name,
            f"wind-off run {reading.run} has no channel {channel.name!r}; its zero was taken as 0",
            "give the channel the same name in both run sheets",
        )
        for channel in channels
        if has_zero(channel) and channel.name not in reading.means
    ]


def _out_of_order(run: RunClock, times_s: tuple[float, float] | None) -> list[Finding]:
    if times_s is None:
        problem = "the mean of both zeros was used: a starting time is missing or out of order"
    elif not times_s[0] <= 0.0 <= times_s[1]:
        problem = "the run started outside the time between its zeros; the nearer one was held"
    else:
        return []
    advice = "state started in the run sheets of the run and of both its zeros"
    return [Finding("note", "zero-times", run.number, None, problem, advice)]


def _drift(
    run: RunClock,
    channels: Sequence[Channel],
    before: NDArray[np.float64],
    after: NDArray[np.float64],
) -> list[Finding]:
    """Drift between the zeros: by share of full scale, or as values where none is stated."""
    findings = []
    unscaled = []
    for channel, drift in zip(channels, after - before, strict=True):
        if not has_zero(channel) or drift == 0.0:
            continue
        if channel.full_scale_raw is None:
            unscaled.append(f"{channel.name} {drift:+.4g} {channel.unit}")
            continue
        share = abs(drift) / (channel.full_scale_raw * abs(channel.scale))
        if share >= DRIFT_NOTED:
            findings.append(_drift_finding(run, channel, drift, share))
    if unscaled:
        message = f"drift between the zeros: {', '.join(unscaled)}"
        advice = "state full_scale to have drifts judged"
        findings.append(Finding("note", "zero-drift", run.number, None, message, advice))
    return findings


def _drift_finding(run: RunClock, channel: Channel, drift: float, share: float) -> Finding:
    return Finding(
        "warning" if share >= DRIFT_WARNED else "note",
        "zero-drift",
        run.number,
        channel.name,
        f"{channel.name} drifted by {drift:+.4g} {channel.unit} between its zeros, "
        f"{100 * share:.2g} % of full scale",
        "take zeros closer to the run, or let the balance warm up",
    )
