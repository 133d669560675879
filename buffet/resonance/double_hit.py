"""A decay in which the model was struck once more, or strikes against something."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.resonance.decay import MOST_MODES, DampedMode, DecayFit

Array = NDArray[np.float64]

# Samples a period of the strongest mode at which a hit is looked for: enough to place it, few
# enough that noise does not drown it.
PER_PERIOD = 16
# A mode that dies this much faster than the strongest may stand in for a hit.
STANDS_IN = 3.0
# Of what the period before reached, and of the noise: no simulated free decay gets to 0.6 of
# both, a second hit of 0.2 to 0.5 of the first, by noise and damping, does.
JUMP, NOISE_JUMP = 4.0, 8.0
# Without a jump: where the most modes leave more in one piece of the decay than in a usual one.
PIECES, UNEVEN = 16, 4.0
UNEXPLAINED = 0.005  # of the energy; less does not matter


@dataclass(frozen=True)
class SecondHit:
    """When it came, after the start of the fit; None where it cannot be placed."""

    time_s: float | None


def second_hit(fit: DecayFit, strongest: DampedMode) -> SecondHit | None:
    """What speaks against a free decay, mostly of one mode; None where nothing does.

    A free decay follows from its own past: the filter whose zeros are the modes' poles leaves
    noise of it. At a hit it leaves a jump.
    """
    rate_hz = fit.rate_hz
    every = max(1, int(rate_hz / (PER_PERIOD * strongest.natural_hz)))
    taps = _own_filter(fit, strongest, every)
    left = _prediction_errors(fit, every, taps)
    period = int(rate_hz / every / strongest.natural_hz) + 1
    gap = len(taps) + 1  # a hit reaches so far
    at = np.arange(period + gap, len(left))
    if len(at):
        windows = np.lib.stride_tricks.sliding_window_view(left, period).max(axis=1)
        before = windows[at - gap - period]
        noise = 1.4826 * float(np.median(left))  # normal standard deviation
        jumps = (left[at] > JUMP * before) & (left[at] > NOISE_JUMP * noise)
        if jumps.any():
            return SecondHit(float(at[int(np.argmax(jumps))] * every / rate_hz))
    return _uneven(fit)


def _own_filter(fit: DecayFit, strongest: DampedMode, every: int) -> Array:
    """Filter that leaves nothing of the modes, but for those that may stand in for a hit."""
    step_s = every / fit.rate_hz
    taps = np.ones(1)
    for mode in fit.modes:
        if mode.damping < STANDS_IN * strongest.damping:
            taps = np.convolve(taps, _zeros(mode, step_s))
    return taps


def _prediction_errors(fit: DecayFit, every: int, taps: Array) -> Array:
    """Magnitude of what the filter leaves of the decay, ``(n,)``."""
    whole = len(fit.samples) // every * every
    samples = (fit.samples - fit.straight)[:whole].reshape(-1, every).mean(axis=1)
    return np.asarray(np.abs(np.convolve(samples, taps, "valid")))


def _zeros(mode: DampedMode, step_s: float) -> Array:
    fall = np.exp(-mode.rate_per_s * step_s)
    return np.array([1.0, -2 * fall * np.cos(mode.angular_rad_s * step_s), fall**2])


def _uneven(fit: DecayFit) -> SecondHit | None:
    if len(fit.modes) < MOST_MODES or 1 - fit.explained < UNEXPLAINED:
        return None
    power = [float(np.mean(piece**2)) for piece in np.array_split(fit.residual, PIECES)]
    return SecondHit(None) if max(power) > UNEVEN * float(np.median(power)) else None
