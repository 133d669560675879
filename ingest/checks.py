"""Checks of a recording's channels as it streams by, before anyone trusts it.

Missing, clipped, stuck and held samples, outlying values and spikes are seen here, the clock's
faults in `clock_findings`. Drift between the zeros, resonances of the rig and what only spectra
show need more than one look at the samples and are found elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from ingest.channel import FORCES, MOMENTS, PRESSURES, Channel
from ingest.channel_meters import ClipMeter, CrestMeter, HoldMeter, MissingMeter, Places, Stretch
from ingest.clock_findings import clock_findings
from ingest.findings import Finding, Severity, percent
from ingest.recording import ClockSummary
from ingest.spike_meter import SpikeMeter

# Missing samples are filled by straight lines, which takes their share out of the variance: 1 %
# is a tenth of a usual confidence interval, 5 % half of one (engineering judgement).
MISSING_WARNING, MISSING_ERROR = 0.01, 0.05
# Clipped samples lie in the tail: one in a thousand changes the RMS of a Gaussian signal little,
# its extremes at once (engineering judgement).
CLIPPED_ERROR = 0.001
# A value this many times further from all others than these are from one another is no signal: of
# Gaussian noise 100,000 samples span nine standard deviations (engineering judgement).
OUTLYING_SPANS = 10.0
# A stuck channel has no fluctuation there, which takes that share out of the variance: 5 % is half
# a usual confidence interval (engineering judgement).
STUCK_ERROR = 0.05
# Spikes that hold 5 % of the variance move it by half a usual confidence interval; with less they
# still raise the high end of the spectrum and rule the extremes (engineering judgement).
SPIKES_ERROR = 0.05

_MEASURED = (*FORCES, *MOMENTS, *PRESSURES, "bridge", "velocity", "acceleration")
_NEVER_STILL = (*_MEASURED, "dynamic pressure", "air speed")
_SLOW = ("temperature", "static pressure", "other")  # may well stand still


class _ChannelCheck:
    """All meters of one channel."""

    def __init__(self, channel: Channel, rate_hz: float) -> None:
        self.channel = channel
        self.rate_hz = rate_hz  # as logged
        self.missing = MissingMeter()
        self.clip = ClipMeter(channel.full_scale_raw)
        self.crest, self.trough = CrestMeter(), CrestMeter(upside_down=True)
        self.hold = HoldMeter()
        self.spike = None if channel.measures in _SLOW else SpikeMeter(self.clip.limit)

    def feed(self, samples: NDArray[np.float64]) -> int:
        """Take the next block; gives how many samples are missing."""
        if not samples.size:
            return 0
        lowest, highest = float(samples.min()), float(samples.max())
        if np.isfinite(lowest) and np.isfinite(highest):
            at: Places = range(self.missing.n, self.missing.n + samples.size)
            self.missing.feed_whole(samples.size)
            if max(highest, -lowest) >= self.clip.limit:
                self.clip.feed(samples)
            else:
                self.clip.pass_by(samples.size)
            self._feed_present(samples, at, lowest, highest)
            return 0
        is_missing = ~np.isfinite(samples)
        at = self.missing.n + np.flatnonzero(~is_missing)
        self.missing.feed(is_missing)
        if self.channel.full_scale_raw is not None:
            self.clip.feed(samples)
        present = samples[~is_missing]
        if present.size:
            self._feed_present(present, at, float(present.min()), float(present.max()))
        return samples.size - present.size

    def _feed_present(
        self, samples: NDArray[np.float64], at: Places, lowest: float, highest: float
    ) -> None:
        self.crest.feed(samples, highest)
        self.trough.feed(samples, lowest)
        self.hold.feed(samples, at)
        if self.spike is not None:
            self.spike.feed(samples, at)

    @property
    def is_measured(self) -> bool:
        return self.channel.measures in _MEASURED

    def ends_at(self, value: float) -> bool:
        """Whether a value is the largest or the smallest."""
        return value in (self.crest.top, -self.trough.top)

    def stuck_stretch(self) -> Stretch | None:
        """Where a channel that should never stand still does; at full scale it is clipped."""
        stretch = self.hold.stuck if self.channel.measures in _NEVER_STILL else None
        return None if stretch is None or self.clip.reaches(stretch.value) else stretch


class RecordChecks:
    """Takes the raw samples of one pass and says what is wrong with them."""

    def __init__(self, channels: Sequence[Channel], rates_hz: Sequence[float]) -> None:
        self._checks = [
            _ChannelCheck(channel, rate_hz)
            for channel, rate_hz in zip(channels, rates_hz, strict=True)
        ]

    def feed(self, raw: NDArray[np.float64] | Sequence[NDArray[np.float64]]) -> None:
        """Take the next samples of each channel as recorded, NaN or infinite where missing."""
        for index, samples in enumerate(raw):
            self.feed_channel(index, samples)

    def feed_channel(self, index: int, samples: NDArray[np.float64]) -> int:
        """Take the next samples of one channel; gives how many of them are missing.

        The samples may change afterwards.
        """
        return self._checks[index].feed(samples)

    def findings(self, run: str, clock: ClockSummary) -> tuple[Finding, ...]:
        """What was found, by channel in their order, then the clock's findings."""
        found: list[Finding] = []
        for check in self._checks:
            found += _missing_findings(check, run)
            outlying = tuple(_outlying_findings(check, run))
            stuck = check.stuck_stretch()
            clipped = _clip_findings(check, run, clock.first_s)
            # one value far beyond all others hides what else stands out, and is to go first
            spikes = () if outlying else tuple(_spike_findings(check, run, clock))
            told = outlying or spikes or (stuck is not None and check.ends_at(stuck.value))
            found += (*outlying, *spikes)
            found += [f for f in clipped if not told or f.code != "flat-tops"]
            if stuck is not None:
                found.append(_stuck_finding(check, stuck, run, clock.first_s))
            found += _hold_findings(check, run)
        return (*found, *clock_findings(clock, run, max(check.rate_hz for check in self._checks)))


def _missing_findings(check: _ChannelCheck, run: str) -> Iterator[Finding]:
    meter, name = check.missing, check.channel.name
    if meter.missing == 0:
        return
    share = meter.missing / meter.n
    severity = _severity(share, MISSING_WARNING, MISSING_ERROR)
    yield Finding(
        severity,
        "missing-samples",
        run,
        name,
        f"{meter.missing} of {meter.n} samples are missing or not finite "
        f"({percent(share)}), the longest gap {meter.longest / check.rate_hz:.3g} s",
        "gaps are filled by straight lines; look at cables and logger before using the record",
    )


def _outlying_findings(check: _ChannelCheck, run: str) -> Iterator[Finding]:
    """A value far beyond all others: what loggers write for a failed reading, or a spike."""
    if not check.is_measured:
        return
    for sign, meter, opposite in ((1, check.crest, check.trough), (-1, check.trough, check.crest)):
        span = meter.second + opposite.top
        if not (0.0 < span < np.inf and meter.top - meter.second > OUTLYING_SPANS * span):
            continue
        level, ends = sign * meter.top, sorted((sign * meter.second, -sign * opposite.top))
        yield Finding(
            "warning",
            "outlying-value",
            run,
            check.channel.name,
            f"{_samples_are(meter.at_top)} {level:.9g}, all others between {ends[0]:.4g} and "
            f"{ends[1]:.4g}: the logger's sign for a failed reading, or a spike",
            f'state missing = ["{level:.9g}"] in [file] if it is such a sign; one such value '
            "outweighs a whole record",
        )


def _spike_findings(check: _ChannelCheck, run: str, clock: ClockSummary) -> Iterator[Finding]:
    spikes = None if check.spike is None else check.spike.spikes()
    if spikes is None:
        return
    channel, first_s = check.channel, clock.first_s + spikes.first / check.rate_hz
    stand = "1 spike stands" if spikes.count == 1 else f"{spikes.count} spikes stand"
    yield Finding(
        "error" if spikes.share > SPIKES_ERROR else "warning",
        "spikes",
        run,
        channel.name,
        f"{stand} out for 1 to 3 samples, by up to {abs(channel.scale) * spikes.largest:.3g} "
        f"{channel.unit} or {spikes.deviations:.2g} times the r.m.s., "
        f"{'at' if spikes.count == 1 else 'first at'} {first_s:.4g} s: "
        f"{percent(spikes.share)} of the variance",
        "look for loose contacts and interference: nothing is removed, so the RMS and the high end "
        "of the spectrum hold them. If the flow makes them, neighbouring channels show them too",
    )


def _samples_are(count: int) -> str:
    return "1 sample is" if count == 1 else f"{count} samples are"


def _clip_findings(check: _ChannelCheck, run: str, first_s: float) -> Iterator[Finding]:
    clip, name, n = check.clip, check.channel.name, check.missing.n
    if clip.first is not None:
        yield Finding(
            "error" if clip.count > CLIPPED_ERROR * n else "warning",
            "clipped",
            run,
            name,
            f"{clip.count} samples ({percent(clip.count / n)}) reach the full "
            f"scale of {check.channel.full_scale_raw:g}, first at "
            f"{first_s + clip.first / check.rate_hz:.4g} s",
            "lower the amplifier's gain or widen the range, and repeat the run",
        )
        return
    flat = check.crest.flat_samples + check.trough.flat_samples
    if flat and check.is_measured and not check.hold.is_constant:
        ends = (check.trough, -check.trough.top), (check.crest, check.crest.top)
        levels = " and ".join(f"{level:g}" for meter, level in ends if meter.flat_samples)
        yield Finding(
            "warning",
            "flat-tops",
            run,
            name,
            f"{flat} samples ({percent(flat / n)}) stand at the "
            f"extreme of {levels}, as if the signal were clipped there",
            "state full_scale, look at the amplifier's range, and repeat the run if it clips",
        )


def _hold_findings(check: _ChannelCheck, run: str) -> Iterator[Finding]:
    name = check.channel.name
    if check.hold.is_constant and check.hold.n > 1:
        yield Finding(
            _constant_severity(check),
            "constant",
            run,
            name,
            f"all {check.hold.n} samples are {check.crest.top:g}",
            "the sensor is not connected or the amplifier is in reset; leave the channel out",
        )
    elif (hold := check.hold.hold_samples) is not None:
        yield Finding(
            "warning" if check.is_measured else "note",
            "held-values",
            run,
            name,
            f"the value changes only every ~{hold:.3g} samples: "
            f"really about {check.rate_hz / hold:.3g} Hz, not {check.rate_hz:g} Hz",
            f"trust nothing above {check.rate_hz / hold / 2:.3g} Hz in this channel, or have "
            "the logger read the sensor at the full rate",
        )


def _stuck_finding(check: _ChannelCheck, stuck: Stretch, run: str, first_s: float) -> Finding:
    share = stuck.length / check.missing.n
    return Finding(
        "error" if check.is_measured and share >= STUCK_ERROR else "warning",
        "stuck",
        run,
        check.channel.name,
        f"the value stays at {stuck.value:.6g} from "
        f"{first_s + stuck.first / check.rate_hz:.4g} s on for "
        f"{stuck.length / check.rate_hz:.4g} s ({percent(share)} of the record), though it usually "
        f"changes every {_samples(check.hold.usual_hold_samples)}",
        "look at the sensor, its cable and its amplifier; use `from` and `to` for a part without "
        "the stretch, or leave the channel out",
    )


def _samples(count: int) -> str:
    return "sample" if count == 1 else f"{count} samples"


def _constant_severity(check: _ChannelCheck) -> Severity:
    if check.is_measured:
        return "error"
    return "note" if check.channel.measures in _SLOW else "warning"


def _severity(share: float, warning: float, error: float) -> Severity:
    if share > error:
        return "error"
    return "warning" if share > warning else "note"
