"""What each quantity does in each of two states: level, RMS and PSD."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.spectral.uncertainty import half_width
from buffet.spectral.window import degrees_of_freedom, hann
from buffet.switching.averaging import LAGS
from buffet.switching.visits import Dwell, Visits

Array = NDArray[np.float64]

# Segments of a state's PSD: so short that most visits hold one, at least this many samples, and so
# many of them that a PSD is worth drawing (engineering judgement).
SEGMENT_OF_DWELL = 0.5
LEAST_SEGMENT_SAMPLES = 16
LEAST_SEGMENTS = 10
# Averages away from any change below which a state's level is not told from those alone.
LEAST_INNER = 10


@dataclass(frozen=True)
class StatePsd:
    """Of one quantity in one state, about its level there."""

    segments: int  # Hann, half overlapping, each wholly inside one visit
    degrees_of_freedom: float
    psd: Array  # (n_bins,), unit²/Hz


@dataclass(frozen=True)
class StateValues:
    """One quantity in the lower and in the upper state of the clearest quantity."""

    name: str
    unit: str
    mean: tuple[Interval, Interval]
    difference: Interval  # upper less lower
    rms: tuple[Interval | None, Interval | None]  # about its mean in that state; None: too short
    share: float  # of the variance, that the change of level makes
    frequency_hz: Array  # (n_bins,), of `psd`
    psd: tuple[StatePsd | None, StatePsd | None]  # None: too few segments
    why: str  # why a PSD is missing


@dataclass(frozen=True)
class Held:
    """Which samples of a record lie inside visits, away from the changes."""

    rate_hz: float
    state: NDArray[np.int8]  # (n_samples,), 0 or 1
    inner: NDArray[np.bool_]  # (n_samples,), further than a spacing from any change
    stretches: tuple[tuple[int, int, int], ...]  # state, first sample, one after the last
    spacing: float  # of the averages, in samples

    @classmethod
    def of(cls, visits: Visits, n_samples: int, rate_hz: float) -> Held:
        """Averages stand at the first sample and every `spacing` after it."""
        n_averages = int(visits.length.sum())
        spacing = n_samples / n_averages
        edges = (visits.start[1:] - 0.5) * spacing
        bounds = np.concatenate([[0], np.ceil(edges), [n_samples]]).astype(int)
        state = np.repeat(visits.state, np.diff(bounds)).astype(np.int8)
        inner = np.ones(n_samples, dtype=bool)
        for edge in edges:
            inner[max(0, int(edge - spacing)) : int(np.ceil(edge + spacing))] = False
        margin = int(np.ceil(spacing))
        stretches = tuple(
            (int(own), int(low) + margin * (low > 0), int(high) - margin * (high < n_samples))
            for own, low, high in zip(visits.state, bounds[:-1], bounds[1:], strict=True)
        )
        return cls(rate_hz, state, inner, stretches, spacing)

    @cached_property
    def blocks(self) -> Blocks:
        """Of about a spacing's length."""
        length = max(1, round(self.spacing))
        n = len(self.state) // length
        cut = (n, length)
        whole = self.inner[: n * length].reshape(cut).all(axis=1).astype(bool)
        return Blocks(length, whole, self.state[: n * length].reshape(cut)[:, length // 2])


@dataclass(frozen=True)
class Blocks:
    """Stretches of a spacing's length, the record cut from its first sample on."""

    length: int  # samples
    whole: NDArray[np.bool_]  # (n_blocks,), all of it away from any change
    state: NDArray[np.int8]  # (n_blocks,), at its middle

    def mean_of(self, samples: Array) -> Array:
        """Of each block, ``(n_blocks,)``."""
        n = len(self.whole)
        return np.asarray(samples[: n * self.length].reshape(n, self.length).mean(axis=1))


@dataclass(frozen=True)
class Levels:
    """What one quantity is on average in each of the two states."""

    level: tuple[float, float]
    variance: tuple[float, float]  # of each
    freedom: tuple[float, float]  # degrees of freedom behind it

    @classmethod
    def of(cls, samples: Array, held: Held) -> Levels:
        """From the blocks away from changes; samples ``(n_samples,)``."""
        cut = held.blocks
        blocks = cut.mean_of(samples)
        masks = [_usable(np.asarray(cut.state == k), cut.whole) for k in (0, 1)]
        level = [float(blocks[mask].mean()) for mask in masks]
        factor = _correlation_factor(blocks - np.array(level)[cut.state], cut.whole)
        variance = [float(factor * blocks[m].var() / max(1, m.sum() - 1)) for m in masks]
        freedom = [max(1.0, float(mask.sum() - 1) / factor) for mask in masks]
        return cls((level[0], level[1]), (variance[0], variance[1]), (freedom[0], freedom[1]))


def state_values(
    samples: Array, held: Held, dwell: tuple[Dwell, Dwell], name: str, unit: str, to_hz: float
) -> StateValues:
    """Of one quantity.

    Parameters
    ----------
    samples : (n_samples,)
    to_hz : highest frequency that they hold
    """
    levels = Levels.of(samples, held)
    halves = [
        float(half_width(np.array(v), f))
        for v, f in zip(levels.variance, levels.freedom, strict=True)
    ]
    means = [Interval(m, m - h, m + h) for m, h in zip(levels.level, halves, strict=True)]
    step = levels.level[1] - levels.level[0]
    half = float(half_width(np.array(sum(levels.variance)), min(levels.freedom)))
    about = samples - np.array(levels.level)[held.state]
    blocks = held.blocks
    squares = blocks.mean_of(about**2)
    rms = [_rms(squares, blocks.whole & (blocks.state == k)) for k in (0, 1)]
    share = float(np.var(np.array(levels.level)[held.state]) / np.var(samples))
    frequency, psds, why = _psds(about, held, dwell, to_hz)
    return StateValues(
        name,
        unit,
        (means[0], means[1]),
        Interval(step, step - half, step + half),
        (rms[0], rms[1]),
        min(share, 1.0),
        frequency,
        psds,
        why,
    )


def _usable(own: NDArray[np.bool_], whole: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Blocks of a state away from its changes; all of it where these are few."""
    inner = own & whole
    return inner if inner.sum() >= LEAST_INNER else own


def _correlation_factor(left: Array, whole: NDArray[np.bool_]) -> float:
    """By how much correlated blocks widen the variance of their mean, 1 + 2 Σ ρ, at least 1."""
    power = float(np.mean(left[whole] ** 2)) if whole.any() else 0.0
    if not power > 0:
        return 1.0
    total = 0.0
    for lag in LAGS:
        both = whole[lag:] & whole[:-lag]
        if both.any():
            total += float(np.mean((left[lag:] * left[:-lag])[both])) / power
    return max(1.0, 1 + 2 * total)


def _rms(squares: Array, mask: NDArray[np.bool_]) -> Interval | None:
    """Root of the mean square over blocks, its interval on the logarithm."""
    n = int(mask.sum())
    if n < LEAST_INNER:
        return None
    mean = float(squares[mask].mean())
    if not mean > 0:
        return None
    factor = _correlation_factor(squares - mean, mask)
    spread = np.array(factor * squares[mask].var(ddof=1) / n / mean**2)
    half = float(half_width(spread, max(1.0, (n - 1) / factor)))
    root = float(np.sqrt(mean))
    return Interval(root, root * float(np.exp(-half / 2)), root * float(np.exp(half / 2)))


def _psds(
    about: Array, held: Held, dwell: tuple[Dwell, Dwell], to_hz: float
) -> tuple[Array, tuple[StatePsd | None, StatePsd | None], str]:
    seen = [one.seen_s for one in dwell if one.seen_s is not None]
    length = int(min(seen) * SEGMENT_OF_DWELL * held.rate_hz) // 2 * 2 if seen else 0
    if length < LEAST_SEGMENT_SAMPLES:
        return np.empty(0), (None, None), "the visits are too short for a spectrum"
    frequency = np.arange(length // 2 + 1) * np.float64(held.rate_hz / length)
    bins = np.flatnonzero((frequency <= to_hz) & (frequency > 0))
    found = [_psd(about, held, k, length, bins) for k in (0, 1)]
    few = f"fewer than {LEAST_SEGMENTS} segments of {length / held.rate_hz:.3g} s fit into a state"
    return frequency[bins], (found[0], found[1]), few if None in found else ""


def _psd(
    about: Array, held: Held, state: int, length: int, bins: NDArray[np.int_]
) -> StatePsd | None:
    starts = [
        start
        for own, low, high in held.stretches
        if own == state
        for start in range(low, high - length + 1, length // 2)
    ]
    if len(starts) < LEAST_SEGMENTS:
        return None
    window = hann(length)
    scale = 2 / (held.rate_hz * np.sum(window**2))
    total = np.zeros(len(bins))
    for start in starts:
        total += np.abs(np.fft.rfft(about[start : start + length] * window)[bins]) ** 2
    return StatePsd(len(starts), degrees_of_freedom(len(starts)), scale * total / len(starts))


def telegraph_psd(frequency_hz: Array, difference: float, dwell_s: tuple[float, float]) -> Array:
    """One-sided PSD of the change of level alone, unit²/Hz.

    4 σ² T / (1 + (2π f T)²) with σ² = d² a b / (a + b)² and 1/T = 1/a + 1/b for exponential dwell
    times of means a and b and levels d apart (Machlup 1954, J. Appl. Phys. 25, 341-343; from
    memory); for a = b and d = 2A it is 2 A² a / (1 + (π f a)²).
    """
    first, second = dwell_s
    decay = first * second / (first + second)
    variance = difference**2 * first * second / (first + second) ** 2
    return np.asarray(4 * variance * decay / (1 + (2 * np.pi * frequency_hz * decay) ** 2))
