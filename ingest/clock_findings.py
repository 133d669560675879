"""What the time stamps of a recording say against its sampling."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from ingest.findings import Finding, percent
from ingest.recording import ClockSummary

# Samples lost in gaps shift all that follows: the limit of missing ones (engineering judgement).
LOST_ERROR = 0.05
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
# A rate that changes by a share smears every line over that share of its frequency: the limits of
# a wrong rate hold. It must stand out by so many standard errors: in 4,200 simulated records whose
# stamps scatter, walk or are coarse the largest was 4.
DRIFT_ERRORS = 5.0
# More equal stamps than this mean stamps coarser than the sampling, not a faulty clock.
COARSE_STAMPS = 0.1


def clock_findings(clock: ClockSummary, run: str, rate_hz: float) -> Iterator[Finding]:
    """Of a run whose samples are used as evenly spaced at `rate_hz`."""
    yield from _implausible_clock(clock, run, rate_hz)
    if not clock.stamped or clock.n < 2:
        return
    yield from _order_findings(clock, run)
    if clock.gaps:
        share = clock.lost_samples / (clock.n + clock.lost_samples)
        yield Finding(
            "error" if share > LOST_ERROR else "warning",
            "clock-gaps",
            run,
            None,
            f"the time stamps have {clock.gaps} gaps, the longest "
            f"{clock.largest_step_s:.4g} s; about {clock.lost_samples} samples "
            f"({percent(share)}) are lost",
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
            f"r.m.s. ({percent(jitter)} of a step), from {1e3 * clock.smallest_step_s:.4g} to "
            f"{1e3 * clock.largest_step_s:.4g} ms",
            "samples are taken as evenly spaced; have the logger's hardware clock time them",
        )
    yield from _rate_findings(clock, run, rate_hz)
    yield from _drift_findings(clock, run)


def rate_in_file_findings(
    run: str, rates: Iterable[tuple[float, float | None]]
) -> Iterator[Finding]:
    """Of rates used, each with what the file itself says of it."""
    for used_hz, in_file_hz in dict.fromkeys(rates):
        if in_file_hz is None or abs(in_file_hz / used_hz - 1.0) <= RATE_WARNING:
            continue
        yield Finding(
            "warning",
            "rate-disagrees",
            run,
            None,
            f"the recording itself states {in_file_hz:.6g} Hz, the rate used is {used_hz:.6g} Hz "
            f"({percent(abs(in_file_hz / used_hz - 1.0))} apart)",
            'find out which is right: every frequency is wrong by as much; rate = "file" takes '
            "the recording's",
        )


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
            f"{rate_hz:.6g} Hz ({percent(error)} apart)",
            "find out which is right: every frequency is wrong by as much",
        )


def _drift_findings(clock: ClockSummary, run: str) -> Iterator[Finding]:
    change = abs(clock.rate_change)
    if change > RATE_WARNING and change > DRIFT_ERRORS * clock.rate_change_error:
        # a parabola's largest distance from the straight line through its ends
        off_s = change * (clock.last_s - clock.first_s) / 8
        yield Finding(
            "error" if change > RATE_ERROR else "warning",
            "clock-drift",
            run,
            None,
            f"the rate of the time stamps {'rises' if clock.rate_change > 0 else 'falls'} by "
            f"{percent(change)} from the beginning to the end: every line smears over as much of "
            f"its frequency, and samples taken as even lie up to {1e3 * off_s:.3g} ms off",
            "have the logger's hardware clock time the samples, or use a short part by `from` and "
            "`to`; phases against another clock shift by 360° times frequency times that delay",
        )
