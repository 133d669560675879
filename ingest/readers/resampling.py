"""Streams of different sample rates brought to one by band-limited interpolation.

Each output is a sum over neighbouring samples, weighted by a Kaiser-windowed sinc whose stop band
begins at half the lower of the two rates: nothing folds, whatever the ratio of the rates, and
a delay by part of a sample is exact (Oppenheim & Schafer 2010, Discrete-Time Signal Processing,
3rd ed., sections 4.6 and 7.5.3).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Of half the lower rate: the signal passes below, within 0.01 %.
PASS_SHARE = 0.8
ATTENUATION_DB = 80.0  # of what would fold: below the noise of a 13-bit logger
# Kaiser's rules for window and length: beta = 0.1102 (A - 8.7), M = (A - 7.95) / (2.285 Δω).
_BETA = 0.1102 * (ATTENUATION_DB - 8.7)
_TRANSITION = 0.5 * (1.0 - PASS_SHARE)  # of the lower rate
_LENGTH = (ATTENUATION_DB - 7.95) / (2.285 * 2 * np.pi * _TRANSITION)  # in its samples
# Steps between two samples at which the kernel is tabulated; straight lines between them are
# wrong by (π / 2 · 1024)² / 2 = 1e-6 at most, 120 dB down.
_PHASES = 1024


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
        self._step = rate_hz / to_hz
        self._start = from_s * rate_hz
        self._table = _kernel_table(rate_hz, min(rate_hz, to_hz))
        self._half = self._table.shape[1] // 2
        self._held = np.empty((n_rows, 0))
        self._missing = np.empty((n_rows, 0), bool)
        self._first = 0  # index of the first sample held
        self._last_value = np.full(n_rows, np.nan)
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
        end = self._first + self._held.shape[1]  # of the samples that were taken
        out = self._take(np.repeat(self._held[:, -1:], self._half + 1, axis=1))
        beyond = int(np.sum(self._position(self._given - np.arange(1, out.shape[1] + 1)) > end - 1))
        return out[:, : out.shape[1] - beyond]

    def _position(self, k: Any) -> Array:
        return np.asarray(self._start + k * self._step, dtype=np.float64)

    def _take(self, samples: Array) -> Array:
        missing = ~np.isfinite(samples)
        self._held = np.concatenate([self._held, self._bridged(samples, missing)], axis=1)
        self._missing = np.concatenate([self._missing, missing], axis=1)
        # The last output whose kernel ends among the samples held.
        last = self._first + self._held.shape[1] - 1 - self._half
        count = max(0, int(np.ceil((last - self._start) / self._step)) - self._given)
        while count and self._position(self._given + count - 1) >= last:
            count -= 1
        out = self._interpolated(self._position(self._given + np.arange(count)))
        self._given += count
        self._forget(int(np.floor(self._position(self._given))) - self._half)
        return out

    def _bridged(self, samples: Array, missing: NDArray[np.bool_]) -> Array:
        if missing.any():
            samples = samples.copy()
        for row, values in enumerate(samples):
            gaps = missing[row]
            if gaps.any():
                known = np.flatnonzero(~gaps)
                at, of = known, values[known]
                if np.isfinite(self._last_value[row]):
                    at, of = np.append(-1, at), np.append(self._last_value[row], of)
                values[gaps] = np.interp(np.flatnonzero(gaps), at, of) if at.size else 0.0
            self._last_value[row] = values[-1]
        return samples

    def _interpolated(self, position: Array) -> Array:
        whole = np.floor(position).astype(np.int64)
        phase = (position - whole) * _PHASES
        near = np.minimum(phase.astype(np.int64), _PHASES - 1)
        share = phase - near
        at = whole - self._first
        out = np.zeros((len(self._held), len(position)))
        for tap in range(self._table.shape[1]):
            column = self._table[:, tap]
            weight = column[near] * (1.0 - share) + column[near + 1] * share
            out += self._held[:, at + tap - self._half + 1] * weight
        lost = self._missing[:, at] | (self._missing[:, at + 1] & (position > whole))
        out[lost] = np.nan
        return out

    def _forget(self, below: int) -> None:
        drop = min(max(below - self._first, 0), self._held.shape[1] - 1)
        self._held = self._held[:, drop:].copy()
        self._missing = self._missing[:, drop:].copy()
        self._first += drop


def _kernel_table(rate_hz: float, lower_hz: float) -> Array:
    """Weights of the samples about a moment between two of them, (phases + 1, taps).

    Tap `half - 1` is the sample before the moment; every row sums to one, so that means stay.
    """
    half = int(np.ceil(0.5 * _LENGTH * rate_hz / lower_hz)) + 1
    cutoff = 0.5 * (1.0 - _TRANSITION) * lower_hz / rate_hz  # cycles a sample
    phase = np.arange(_PHASES + 1)[:, None] / _PHASES
    distance = np.arange(1 - half, half + 1)[None, :] - phase
    window = np.i0(_BETA * np.sqrt(np.clip(1.0 - (distance / half) ** 2, 0.0, None)))
    table = np.sinc(2.0 * cutoff * distance) * window
    return np.asarray(table / table.sum(axis=1, keepdims=True))
