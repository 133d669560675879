"""One channel's reading after one strike: its modes, or why it is left out."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from buffet.resonance.decay import DampedMode, DecayFit, fit_decay, refit, strongest_oscillation
from buffet.resonance.double_hit import second_hit
from buffet.resonance.result import HIGHEST_DAMPING, DecayDrawing
from buffet.resonance.strikes import LOOKBACK_S, Strike
from ingest import Channel

Array = NDArray[np.float64]

# Left out after a strike, in periods: the hammer's pulse is shorter, or it would hardly have
# excited the mode, and a filter of several times its frequency has settled.
SETTLING_PERIODS = 0.5
# Fewer do not tell a damping from a slope (engineering judgement).
FEWEST_PERIODS = 5
FEWEST_SAMPLES = 16  # several times the four parameters of a mode
# Time constants after which a decay is noise, e^-8 = 0.03 %, but periods at least, since the time
# constant is only a guess then.
LONGEST_TIME_CONSTANTS, LEAST_PERIODS_KEPT = 8.0, 20.0
# Samples a period that are kept; neighbours are averaged beyond twice that, which leaves σ and
# ω_d of an exponential as they are.
PER_PERIOD = 40
# Standard error of log ζ beyond which a mode's damping is not known, and standard errors of a
# rate of decay below which an oscillation is a steady tone.
LARGEST_ERROR, STEADY_ERRORS = 0.5, 3.0
# Of full scale: a count less than all of it, in 12 bits and more.
CLIPPED = 0.999
# Samples at the very top, and times as many as at the next value below, of a reading that was cut
# off: a counted sine has at most √2 / (2 - √2) = 2.4.
CLIPPED_SAMPLES, CLIPPED_RATIO = 5, 4.0
# Early: down to 1/e. Late: from there to e^-2.5, 8 %. In time constants.
EARLY_UNTIL, LATE_UNTIL = 1.0, 2.5
FEWEST_PERIODS_OF_PART = 3
# Crests are followed down to this share of the first, or to three times the noise.
LOWEST_CREST, CREST_NOISE = 0.1, 3.0
DRAWN_POINTS = 4000
DRAWN_TIME_CONSTANTS = 4.0


@dataclass(frozen=True)
class Halves:
    """Logarithm of late over early, and its standard error."""

    log_frequency: float
    frequency_error: float
    log_damping: float
    damping_error: float


@dataclass(frozen=True)
class Unusable:
    """Why a strike cannot be used, in one channel or, where it was two, in all."""

    why: str
    in_all: bool = False


@dataclass(frozen=True)
class OneDecay:
    """What one strike says of one channel."""

    strike_s: float
    modes: tuple[DampedMode, ...]  # that ring and die, strongest first
    energies: tuple[float, ...]  # of each, as shares of the decay's
    explained: float
    amplitude: float  # of the strongest
    decrement: float | None
    halves: Halves | None
    drawing: DecayDrawing | None = field(compare=False)


def one_decay(strike: Strike, index: int, channel: Channel, rate_hz: float) -> OneDecay | Unusable:
    """Fit one channel of a strike."""
    samples = strike.samples[index]
    if len(samples) < FEWEST_SAMPLES:
        return _too_short(strike, len(samples) / rate_hz)
    if _is_clipped(samples[: round(LOOKBACK_S * rate_hz)], channel):
        return Unusable("clipped")
    start = strongest_oscillation(samples - samples.mean(), rate_hz)
    if start is None:
        return Unusable("no oscillation follows")
    decay, kept_hz = _free_part(samples, rate_hz, start)
    periods = len(decay) / kept_hz * float(start[1]) / (2 * np.pi)
    if periods < FEWEST_PERIODS:
        return _too_short(strike, len(samples) / rate_hz, periods)
    fit = fit_decay(decay, kept_hz)
    ringing = [mode for mode in fit.modes if _rings(mode)]
    if not ringing:
        return _no_mode(fit)
    if (hit := second_hit(fit, ringing[0])) is not None:
        if hit.time_s is None:
            return Unusable("not a free decay: struck again, or something rattles")
        after_s = hit.time_s + SETTLING_PERIODS * 2 * np.pi / start[1]
        return Unusable(f"struck again {after_s:.2f} s later", in_all=True)
    whole = sum(map(fit.energy, fit.modes)) + float(np.sum(fit.residual**2))
    return OneDecay(
        strike.time_s,
        tuple(ringing),
        tuple(fit.energy(mode) / whole for mode in ringing),
        fit.explained,
        ringing[0].amplitude,
        _decrement(fit, ringing[0]),
        _halves(fit, ringing[0]),
        _drawing(strike, fit, ringing[0]),
    )


def _is_clipped(samples: Array, channel: Channel) -> bool:
    if channel.full_scale_raw is not None:
        raw = (samples - channel.offset) / channel.scale
        return bool(np.max(np.abs(raw)) >= CLIPPED * channel.full_scale_raw)
    for one in (samples, -samples):
        below = one[one < one.max()]
        top = int(np.sum(one == one.max()))
        next_to_it = int(np.sum(below == below.max())) if len(below) else 0
        if top >= CLIPPED_SAMPLES and top >= CLIPPED_RATIO * max(next_to_it, 1):
            return True
    return False


def _free_part(samples: Array, rate_hz: float, start: Array) -> tuple[Array, float]:
    """Between the strike's own time and noise, with as many samples as the mode needs."""
    sigma, omega = start
    natural_hz = omega / (2 * np.pi)
    first = int(np.ceil(SETTLING_PERIODS * rate_hz / natural_hz))
    kept_s = max(LONGEST_TIME_CONSTANTS / sigma, LEAST_PERIODS_KEPT / natural_hz)
    last = first + int(np.ceil(kept_s * rate_hz))
    free = samples[first:last]
    every = max(1, int(rate_hz / (PER_PERIOD * natural_hz)))
    whole = len(free) // every * every
    return free[:whole].reshape(-1, every).mean(axis=1), rate_hz / every


def _too_short(strike: Strike, length_s: float, periods: float | None = None) -> Unusable:
    what = {
        "next strike": "struck again",
        "end of record": "the record ends",
        "longest": "cut",
    }[strike.ended_by]
    told = "" if periods is None else f", {periods:.1f} periods"
    why = f"{what} after {length_s:.2g} s{told}; a decay needs {FEWEST_PERIODS} periods"
    return Unusable(why)


def _rings(mode: DampedMode) -> bool:
    steady = mode.rate_per_s <= 0 or mode.log_damping_error * STEADY_ERRORS > 1
    return not steady and mode.damping <= HIGHEST_DAMPING and mode.log_damping_error < LARGEST_ERROR


def _no_mode(fit: DecayFit) -> Unusable:
    if not fit.modes:
        return Unusable("no oscillation follows")
    damping = fit.modes[0].damping
    if damping > HIGHEST_DAMPING:
        return Unusable(f"damping of {damping:.2g} is too high to be told from a decay")
    return Unusable("what follows does not decay, or is too near the noise")


def _decrement(fit: DecayFit, mode: DampedMode) -> float | None:
    """Damping by the logarithmic decrement δ of the crests: ζ = δ / √(4π² + δ²).

    δ is the slope of the crests' logarithms over their number (Bendat & Piersol 2010, Random
    Data, 4th ed., section 2.4), of the channel as logged but for its drift.
    """
    rate_hz = fit.rate_hz
    period = 2 * np.pi / mode.angular_rad_s * rate_hz
    samples = fit.samples - fit.straight
    crests: list[float] = []
    floor = CREST_NOISE * float(np.std(fit.residual))
    for k in range(int(len(samples) / period)):
        crest = float(samples[round(k * period) : round((k + 1) * period)].max())
        if crest < max(floor, LOWEST_CREST * (crests[0] if crests else 0.0)):
            break
        crests.append(crest)
    if len(crests) < 3:
        return None
    delta = -float(np.polyfit(np.arange(len(crests)), np.log(crests), 1)[0])
    return delta / float(np.hypot(2 * np.pi, delta))


def _halves(fit: DecayFit, mode: DampedMode) -> Halves | None:
    """The mode fitted to the early and to the late part alone; None where one is too short."""
    alone = fit.only(mode)
    rate_hz = fit.rate_hz
    cuts = [round(share / mode.rate_per_s * rate_hz) for share in (0.0, EARLY_UNTIL, LATE_UNTIL)]
    parts = [alone[first:last] for first, last in pairwise(cuts)]
    wanted = FEWEST_PERIODS_OF_PART * 2 * np.pi / mode.angular_rad_s * rate_hz
    if cuts[-1] > len(alone) or min(map(len, parts)) < wanted:
        return None
    early, late = (refit(part, rate_hz, mode) for part in parts)
    errors = [early.log_damping_error, late.log_damping_error]
    if min(early.rate_per_s, late.rate_per_s) <= 0 or max(errors) > LARGEST_ERROR:
        return None
    return Halves(
        float(np.log(late.natural_hz / early.natural_hz)),
        float(np.hypot(early.log_frequency_error, late.log_frequency_error)),
        float(np.log(late.damping / early.damping)),
        float(np.hypot(errors[0], errors[1])),
    )


def _drawing(strike: Strike, fit: DecayFit, mode: DampedMode) -> DecayDrawing:
    from scipy.fft import rfft, rfftfreq

    rate_hz = fit.rate_hz
    shown = min(len(fit.time_s), int(DRAWN_TIME_CONSTANTS / mode.rate_per_s * rate_hz) + 1)
    shown = min(max(shown, 2), DRAWN_POINTS)
    samples, fitted = fit.samples - fit.straight, fit.fitted - fit.straight
    spectra = [np.abs(rfft(part)) / rate_hz for part in (samples, fitted)]
    frequency_hz = rfftfreq(len(samples), 1 / rate_hz)
    return DecayDrawing(
        strike.time_s,
        fit.time_s[:shown],
        samples[:shown],
        fitted[:shown],
        mode.envelope(fit.time_s[:shown]),
        *(part[1:DRAWN_POINTS] for part in (frequency_hz, *spectra)),
    )
