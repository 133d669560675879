"""Checks of a recording as it streams by, before anyone trusts it.

Drift between the zeros and resonances of the rig need more than the samples of one run and are
looked at elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from ingest.channel import FORCES, MOMENTS, PRESSURES, Channel
from ingest.channel_meters import ClipMeter, CrestMeter, HoldMeter, MissingMeter, Places, Stretch
from ingest.findings import Finding, Severity
from ingest.recording import ClockSummary

# Missing samples are filled by straight lines, which takes their share out of the variance: 1 %
# is a tenth of a usual confidence interval, 5 % half of one (engineering judgement).
MISSING_WARNING, MISSING_ERROR = 0.01, 0.05
# Clipped samples lie in the tail: one in a thousand changes the RMS of a Gaussian signal little,
# its extremes at once (engineering judgement).
CLIPPED_ERROR = 0.001
# Jitter of a share j of the step turns (2π·0.2·j)² of the power at a fifth of the sample rate
# into noise (two terms of the sinc series): 0.02 % at 1 %, 1.6 % at 10 %.
JITTER_NOTE, JITTER_WARNING = 0.01, 0.1
# A rate that is wrong by a share moves every frequency by it: 0.1 % is a tenth of the usual
# standard error of a Strouhal number, 1 % as large as it (engineering judgement).
RATE_WARNING, RATE_ERROR = 0.001, 0.01
# So many samples in so short a time, or fewer than one a second, are no record of the 1 to 20 Hz
# that a car's driver feels, but a slip in the unit of time (engineering judgement).
SHORTEST_RECORD_S, MANY_SAMPLES = 1.0, 1000
SLOWEST_RATE_HZ = 1.0
# A value this many times further from all others than these are from one another is no signal: of
# Gaussian noise 100,000 samples span nine standard deviations (engineering judgement).
OUTLYING_SPANS = 10.0
# A stuck channel has no fluctuation there, which takes that share out of the variance: 5 % is half
# a usual confidence interval (engineering judgement).
STUCK_ERROR = 0.05
# More equal stamps than this mean stamps coarser than the sampling, not a faulty clock.
COARSE_STAMPS = 0.1

_MEASURED = (*FORCES, *MOMENTS, *PRESSURES, "bridge", "velocity", "acceleration")
_NEVER_STILL = (*_MEASURED, "dynamic pressure", "air speed")
_SLOW = ("temperature", "static pressure", "other")  # may well stand still


class _ChannelCheck:
    """All meters of one channel."""

    def __init__(self, channel: Channel) -> None:
        self.channel = channel
        self.missing = MissingMeter()
        self.clip = ClipMeter(channel.full_scale_raw)
        self.crest, self.trough = CrestMeter(), CrestMeter()
        self.hold = HoldMeter()

    def feed(self, samples: NDArray[np.float64]) -> None:
        is_missing = ~np.isfinite(samples)
        first = self.missing.n
        self.missing.feed(is_missing)
        if self.channel.full_scale_raw is not None:
            self.clip.feed(samples)
        present, at = samples, _places(first, is_missing)
        if is_missing.any():
            present = samples[~is_missing]
        if present.size:
            self.crest.feed(present)
            self.trough.feed(-present)
            self.hold.feed(present, at)

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


def _places(first: int, is_missing: NDArray[np.bool_]) -> Places:
    """Where in the record a block's samples stand that are not missing."""
    if is_missing.any():
        return first + np.flatnonzero(~is_missing)
    return range(first, first + is_missing.size)


class RecordChecks:
    """Takes the raw samples of one pass and says what is wrong with them."""

    def __init__(self, channels: Sequence[Channel], rate_hz: float) -> None:
        self._checks = [_ChannelCheck(channel) for channel in channels]
        self._rate_hz = rate_hz

    def feed(self, raw: NDArray[np.float64]) -> None:
        """Take the next block, (n_channels, n) as recorded, NaN or infinite where missing."""
        for check, samples in zip(self._checks, raw, strict=True):
            check.feed(samples)

    def findings(self, run: str, clock: ClockSummary) -> tuple[Finding, ...]:
        """What was found, by channel in their order, then the clock's findings."""
        found: list[Finding] = []
        for check in self._checks:
            found += _missing_findings(check, run, self._rate_hz)
            outlying = tuple(_outlying_findings(check, run))
            stuck = check.stuck_stretch()
            clipped = _clip_findings(check, run, self._rate_hz, clock.first_s)
            told = outlying or (stuck is not None and check.ends_at(stuck.value))
            found += outlying
            found += [f for f in clipped if not told or f.code != "flat-tops"]
            if stuck is not None:
                found.append(_stuck_finding(check, stuck, run, self._rate_hz, clock.first_s))
            found += _hold_findings(check, run, self._rate_hz)
        return (*found, *_clock_findings(clock, run, self._rate_hz))


def _missing_findings(check: _ChannelCheck, run: str, rate_hz: float) -> Iterator[Finding]:
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
        f"({_percent(share)}), the longest gap {meter.longest / rate_hz:.3g} s",
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


def _samples_are(count: int) -> str:
    return "1 sample is" if count == 1 else f"{count} samples are"


def _clip_findings(
    check: _ChannelCheck, run: str, rate_hz: float, first_s: float
) -> Iterator[Finding]:
    clip, name, n = check.clip, check.channel.name, check.missing.n
    if clip.first is not None:
        yield Finding(
            "error" if clip.count > CLIPPED_ERROR * n else "warning",
            "clipped",
            run,
            name,
            f"{clip.count} samples ({_percent(clip.count / n)}) reach the full "
            f"scale of {check.channel.full_scale_raw:g}, first at "
            f"{first_s + clip.first / rate_hz:.4g} s",
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
            f"{flat} samples ({_percent(flat / n)}) stand at the "
            f"extreme of {levels}, as if the signal were clipped there",
            "state full_scale, look at the amplifier's range, and repeat the run if it clips",
        )


def _hold_findings(check: _ChannelCheck, run: str, rate_hz: float) -> Iterator[Finding]:
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
            f"really about {rate_hz / hold:.3g} Hz, not {rate_hz:g} Hz",
            f"trust nothing above {rate_hz / hold / 2:.3g} Hz in this channel, or have "
            "the logger read the sensor at the full rate",
        )


def _stuck_finding(
    check: _ChannelCheck, stuck: Stretch, run: str, rate_hz: float, first_s: float
) -> Finding:
    share = stuck.length / check.missing.n
    return Finding(
        "error" if check.is_measured and share >= STUCK_ERROR else "warning",
        "stuck",
        run,
        check.channel.name,
        f"the value stays at {stuck.value:.6g} from {first_s + stuck.first / rate_hz:.4g} s on for "
        f"{stuck.length / rate_hz:.4g} s ({_percent(share)} of the record), though it usually "
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


def _clock_findings(clock: ClockSummary, run: str, rate_hz: float) -> Iterator[Finding]:
    yield from _implausible_clock(clock, run, rate_hz)
    if not clock.stamped or clock.n < 2:
        return
    yield from _order_findings(clock, run)
    if clock.gaps:
        share = clock.lost_samples / (clock.n + clock.lost_samples)
        yield Finding(
            "error" if share > MISSING_ERROR else "warning",
            "clock-gaps",
            run,
            None,
            f"the time stamps have {clock.gaps} gaps, the longest "
            f"{clock.largest_step_s:.4g} s; about {clock.lost_samples} samples "
            f"({_percent(share)}) are lost",
            "the gaps are closed up, not filled; use `from` and `to` for a part without them",
        )
    jitter = clock.jitter_s * rate_hz
    if jitter > JITTER_NOTE and clock.repeated <= COARSE_STAMPS * clock.n:
        yield Finding(
            "warning" if jitter > JITTER_WARNING else "note",
            "clock-jitter",
            run,
            None,
            f"the steps of the time stamps scatter by {1e3 * clock.jitter_s:.3g} ms "
            f"r.m.s. ({_percent(jitter)} of a step), from {1e3 * clock.smallest_step_s:.4g} to "
            f"{1e3 * clock.largest_step_s:.4g} ms",
            "samples are taken as evenly spaced; have the logger's hardware clock time them",
        )
    yield from _rate_findings(clock, run, rate_hz)


def _implausible_clock(clock: ClockSummary, run: str, rate_hz: float) -> Iterator[Finding]:
    too_short = clock.n > MANY_SAMPLES and clock.n < SHORTEST_RECORD_S * rate_hz
    if too_short or rate_hz < SLOWEST_RATE_HZ:
        yield Finding(
            "error",
            "implausible-clock",
            run,
            None,
            f"{clock.n} samples at {rate_hz:.6g} Hz are a record of {clock.n / rate_hz:.3g} s, "
            "which holds nothing of the 1 to 20 Hz that a driver feels",
            "check time_unit: the time stamps are likely in another unit"
            if clock.stamped
            else "check the unit of the stated rate",
        )


def _order_findings(clock: ClockSummary, run: str) -> Iterator[Finding]:
    if clock.backward:
        yield Finding(
            "error",
            "clock-backward",
            run,
            None,
            f"the time stamps run backwards {clock.backward} times, by up to "
            f"{-clock.smallest_step_s:.4g} s",
            "the file may be two recordings in one, or the clock was set: use `from` and `to`",
        )
    if clock.repeated:
        coarse = clock.repeated > COARSE_STAMPS * clock.n
        yield Finding(
            "note" if coarse else "warning",
            "clock-coarse" if coarse else "clock-repeated",
            run,
            None,
            f"{clock.repeated} of {clock.n} time stamps equal the one before",
            "the stamps are coarser than the sampling; state a rate if it is known"
            if coarse
            else "rows may be doubled; look at the logger's settings",
        )


def _rate_findings(clock: ClockSummary, run: str, rate_hz: float) -> Iterator[Finding]:
    error = abs(clock.measured_rate_hz / rate_hz - 1.0)
    if error > RATE_WARNING:
        yield Finding(
            "error" if error > RATE_ERROR else "warning",
            "clock-rate",
            run,
            None,
            f"the time stamps give {clock.measured_rate_hz:.6g} Hz, the rate used is "
            f"{rate_hz:.6g} Hz ({_percent(error)} apart)",
            "find out which is right: every frequency is wrong by as much",
        )


def _severity(share: float, warning: float, error: float) -> Severity:
    if share > error:
        return "error"
    return "warning" if share > warning else "note"


def _percent(share: float) -> str:
    digits = 2 if share == 0.0 else max(0, 1 - math.floor(math.log10(100.0 * share)))
    return f"{100.0 * share:.{digits}f} %"
