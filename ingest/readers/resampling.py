"""Streams of different sample rates brought to one by a linear-phase polyphase filter.

Each output is a sum over neighbouring samples, weighted by a Kaiser-windowed sinc whose stop band
begins at half the lower of the two rates: nothing folds, and a delay by part of a sample is exact
(Oppenheim & Schafer 2010, Discrete-Time Signal Processing, 3rd ed., sections 4.6 and 7.6).
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from ingest.gaps import straight_lines

Array = NDArray[np.float64]

# Of half the lower rate: the signal passes below, within 0.01 %.
PASS_SHARE = 0.8
ATTENUATION_DB = 80.0  # of what would fold: below the noise of a 13-bit logger
# Kaiser's rules for window and length: beta = 0.1102 (A - 8.7), M = (A - 7.95) / (2.285 Δω).
_BETA = 0.1102 * (ATTENUATION_DB - 8.7)
_TRANSITION = 0.5 * (1.0 - PASS_SHARE)  # of the lower rate
_LENGTH = (ATTENUATION_DB - 7.95) / (2.285 * 2 * np.pi * _TRANSITION)  # in its samples
# Rates are taken as one to the other like two whole numbers, of which the larger has at most this
# size: usual rates are exactly so, two clocks of one nominal rate that differ by more than 15 parts
# in a million nearly so, and all others within 8e-6, less than what stamps tell.
_LARGEST = 65_536


class Resampler:
    """Takes samples of even steps and gives those at other even steps, in bounded memory.

    Parameters
    ----------
    n_rows : channels
    rate_hz, to_hz : of the samples taken and given
    from_s : moment of the first sample given, counted from the first one taken

    Before the first sample and behind the last their values are held. A sample is missing (NaN)
    where one of its two neighbours is; elsewhere gaps are bridged by straight lines.
    """

    def __init__(self, n_rows: int, rate_hz: float, to_hz: float, from_s: float) -> None:
        ratio = _ratio(rate_hz, to_hz)
        self._step, self._parts = ratio.numerator, ratio.denominator  # samples an output, in parts
        start = from_s * rate_hz * self._parts
        self._start = int(np.floor(start))  # of the first output, in parts of a sample
        self._ceil = int(np.ceil(start))  # the same, not before it
        self._half = int(np.ceil(0.5 * _LENGTH * max(1.0, rate_hz / to_hz))) + 1
        cutoff = 0.5 * (1.0 - _TRANSITION) * min(1.0, to_hz / rate_hz)  # cycles a sample
        if ratio == 1:  # nothing can fold: samples of the same moments stay as they are
            cutoff = 0.5
        self._kernel = _kernel(self._half, self._parts, start - self._start, cutoff)
        self._held = np.empty((n_rows, 0))
        self._missing = np.empty((n_rows, 0), bool)
        self._first = 0  # index of the first sample held
        self._last_value = np.full(n_rows, np.nan)  # before the first one held, once any is known
        self._given = 0

    def push(self, samples: Array) -> Array:
        """Samples (n_rows, n) in, those that are known by now (n_rows, m) out."""
        if samples.shape[1] == 0:
            return samples
        if self._held.shape[1] == 0:
            before = np.repeat(samples[:, :1], self._half, axis=1)
            self._first = -self._half
            samples = np.concatenate([before, samples], axis=1)
        return self._take(samples)

    def finish(self) -> Array:
        """What the last samples still give, up to the last one's moment."""
        if self._held.shape[1] == 0:
            return self._held
        last = self._first + self._held.shape[1] - 1  # of the samples that were taken
        due = max(0, (last * self._parts - self._ceil) // self._step + 1 - self._given)
        return self._take(np.repeat(self._held[:, -1:], self._half + 1, axis=1))[:, :due]

    def _take(self, samples: Array) -> Array:
        self._held = np.concatenate([self._held, samples], axis=1)
        self._missing = np.concatenate([self._missing, ~np.isfinite(samples)], axis=1)
        self._bridge()
        # Outputs whose kernel ends among the samples held: before the last one that has a half.
        end = (self._first + self._held.shape[1] - 1 - self._half) * self._parts
        count = max(0, -((self._start - end) // self._step) - self._given)
        out = self._filtered(count)
        self._given += count
        self._forget((self._start + self._given * self._step) // self._parts - self._half)
        return out

    def _bridge(self) -> None:
        """Straight lines over what is missing among the samples held.

        A gap that ran to the end of those before is drawn anew, now that more of it is known.
        """
        for row in np.flatnonzero(self._missing.any(axis=1)):
            line = straight_lines(self._held[row], ~self._missing[row], self._last_value[row])
            self._held[row] = 0.0 if line is None else line

    def _filtered(self, count: int) -> Array:
        """The next outputs; the filter's first one is moved to them by zeros put before."""
        if count == 0:
            return np.empty((len(self._held), 0))
        from scipy.signal import upfirdn

        at = self._start + self._given * self._step - self._first * self._parts
        place = at + self._half * self._parts
        zeros = -place * pow(self._parts, -1, self._step) % self._step if self._step > 1 else 0
        skip = (place + zeros * self._parts) // self._step
        padded = np.pad(self._held, ((0, 0), (zeros, 0)))
        out = upfirdn(self._kernel, padded, self._parts, self._step, axis=1)[:, skip : skip + count]
        if self._missing.any():
            before, part = np.divmod(at + np.arange(count) * self._step, self._parts)
            after = before + (part > 0)
            out[self._missing[:, before] | self._missing[:, after]] = np.nan
        return np.asarray(out)

    def _forget(self, below: int) -> None:
        drop = min(max(below - self._first, 0), self._held.shape[1] - 1)
        if drop == 0:
            return
        known = np.isfinite(self._last_value) | ~self._missing[:, :drop].all(axis=1)
        self._last_value[known] = self._held[known, drop - 1]
        self._held = self._held[:, drop:].copy()
        self._missing = self._missing[:, drop:].copy()
        self._first += drop


def _ratio(rate_hz: float, to_hz: float) -> Fraction:
    """Samples taken for each one given."""
    if rate_hz < to_hz:
        return 1 / _ratio(to_hz, rate_hz)
    ratio = rate_hz / to_hz
    return Fraction(ratio).limit_denominator(max(1, int(_LARGEST / ratio)))


def _kernel(half: int, parts: int, offset: float, cutoff: float) -> Array:
    """Weights of samples at distances in parts of a sample, from -half to half, ``(n,)``.

    `offset` is that of the outputs from whole parts. The weights that meet in one output sum to
    one, so that means stay.
    """
    from scipy.special import i0

    distance = (np.arange(2 * half * parts) + offset) / parts - half
    window = i0(_BETA * np.sqrt(np.clip(1.0 - (distance / half) ** 2, 0.0, None)))
    weights = (np.sinc(2.0 * cutoff * distance) * window).reshape(2 * half, parts)
    return np.asarray((weights / weights.sum(axis=0)).ravel())
