"""The largest running r.m.s. value to expect of a steady Gaussian vibration in a stated time.

The mean square y of a Gaussian x over a window is Σ λ z², z independent and normal, λ the
eigenvalues of x's covariance over the window (Karhunen-Loève). Its density, and how often it rises
through a level, then follow at each of a row of saddlepoints s, at which the covariance has the
eigenvalues λ / (1 - 2sλ):

- density of y: the saddlepoint approximation, scaled to 1 (Daniels 1954, Annals of Mathematical
  Statistics 25, 631-650);
- rises a second: the density times E[y'⁺ | y], Rice's formula. y' is the difference of x² at the
  window's ends over the window's length, and x there is taken as normal with the covariance at the
  saddlepoint, variances v and covariance c. Then E[y'⁺ | y] = 2 √(v² - c²) / (πτ), since x1² - x2²
  is the product of two independent normal variables, x1 - x2 and x1 + x2;
- the largest in T: P(max < y) = P(y) exp(-T rises), as if rises came singly.

Rises come in clumps, so that the result is a little on the high side: against simulated records of
60 and 600 s it was -1 to +3 % off, over resonances of Q 2 to 20 and bands up to 80 Hz wide, and up
to +5 % at Q 100.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.perception.vibration import RUNNING_S
from buffet.spectral.locking import lock
from buffet.spectral.stated_psd import SpectrumError, checked_psd

Array = NDArray[np.float64]

# A driving time (engineering judgement).
DRIVING_TIME_S = 600.0
# Variance above the highest frequency that the window is sampled for. Mean squares do not feel it.
LEFT_OUT = 1e-3
# Samples of the window a period of that frequency, and at least: with twice as many the result
# moves by less than 0.1 %.
SAMPLES_A_PERIOD = 2.5
FEWEST_SAMPLES = 41
# Eigenvalues below this share of the largest are rounding.
ROUNDING = 1e-9
# Saddlepoints by their 1 - 2 s λ of the largest λ, from far below the mean to far above.
_TILTS = np.concatenate([np.geomspace(1e4, 1.0, 400)[:-1], np.geomspace(1.0, 1 / 60, 600)])


@dataclass(frozen=True)
class LargestRunningRms:
    """The largest running r.m.s. value of a stated time."""

    duration_s: float
    window_s: float
    rms_m_s2: float  # overall
    expected_m_s2: float  # mean of the largest over many such times
    levels_m_s2: Array  # (n_levels,), rising from 0
    not_exceeded: Array  # (n_levels,), probability that the largest stays below each

    def __post_init__(self) -> None:
        """Lock the arrays."""
        lock(self)

    @property
    def ratio(self) -> float:
        """Expected largest over the overall r.m.s. value; NaN where nothing moves."""
        return self.expected_m_s2 / self.rms_m_s2 if self.rms_m_s2 > 0 else float("nan")

    def fractile(self, probability: float) -> float:
        """Return the value that the largest stays below with a probability in (0, 1), m/s².

        Raises
        ------
        ValueError
            If the probability is not between 0 and 1.
        """
        if not 0 < probability < 1:
            raise ValueError(f"a fractile needs a probability within 0 to 1, got {probability:g}")
        return float(np.interp(probability, self.not_exceeded, self.levels_m_s2))


def largest_running_rms(
    frequency_hz: ArrayLike,
    psd: ArrayLike,
    duration_s: float = DRIVING_TIME_S,
    window_s: float = RUNNING_S,
) -> LargestRunningRms:
    """Return the largest running r.m.s. value of a stationary Gaussian acceleration of this PSD.

    Parameters
    ----------
    frequency_hz : (n_bins,), evenly spaced centres; a bin at 0 Hz belongs to the mean and is left
        out
    psd : (n_bins,), one-sided, (m/s²)²/Hz, taken as flat within a bin
    duration_s : time in which the largest is looked for, from a first whole window on
    window_s : length of the running mean, a second in ISO 2631-1:1997 6.3.1

    Raises
    ------
    SpectrumError
        The spectrum is no single PSD on even bins of 0 or above.
    ValueError
        A time is not above 0.

    References
    ----------
    The module's head says how; Rice 1945, Bell System Technical Journal 24, 46-156.
    """
    if not (duration_s > 0 and window_s > 0):
        raise ValueError(
            f"the largest running value needs times above 0 s, got {duration_s:g} s and a window "
            f"of {window_s:g} s"
        )
    frequency, density, step = checked_psd(frequency_hz, psd)
    if density.ndim != 1:
        raise SpectrumError(
            f"one PSD is wanted, got shape {density.shape}: give the axes one after the other"
        )
    density = np.where(frequency > 0, density, 0.0)
    variance = float(density.sum()) * step
    if variance == 0:
        still = np.array([0.0, 0.0])
        return LargestRunningRms(duration_s, window_s, 0.0, 0.0, still, np.array([0.0, 1.0]))
    level, below, rises = _mean_square(frequency, density / variance, step, window_s)
    largest = np.maximum.accumulate(below * np.exp(-rises * duration_s))
    levels = np.concatenate([[0.0], np.sqrt(level)])
    largest = np.concatenate([[0.0], largest])
    scale = sqrt(variance)
    expected = scale * float(np.trapezoid(1 - largest, levels))
    return LargestRunningRms(duration_s, window_s, scale, expected, scale * levels, largest)


def _mean_square(
    frequency: Array, density: Array, step: float, window_s: float
) -> tuple[Array, Array, Array]:
    """Levels of the running mean square, P(y < level), and rises through each a second.

    Of a PSD of variance 1.
    """
    value, first, last = _modes(frequency, density, step, window_s)
    tilt = (1 - _TILTS) / (2 * value.max())  # s
    grown = 1 / (1 - 2 * np.outer(tilt, value))
    level = grown @ value
    log_transform = np.log(grown).sum(axis=1) / 2
    height = np.exp(log_transform - tilt * level) / np.sqrt(4 * pi * (grown**2 @ value**2))
    steps = np.diff(level) * (height[1:] + height[:-1]) / 2
    below = np.concatenate([[0.0], np.cumsum(steps)])
    ends = (grown @ (first**2 * value)) * (grown @ (last**2 * value))
    ends = np.maximum(ends - (grown @ (first * last * value)) ** 2, 0)
    rises = height / below[-1] * 2 / (pi * window_s) * np.sqrt(ends)
    return level, below / below[-1], rises


def _modes(
    frequency: Array, density: Array, step: float, window_s: float
) -> tuple[Array, Array, Array]:
    """Eigenvalues of the covariance over the window; eigenfunctions at its first and last time.

    The window's mean is a trapezoid over its samples, whose ends count half.
    """
    share = np.cumsum(density) * step
    top_hz = float(frequency[np.searchsorted(share, 1 - LEFT_OUT)]) + step / 2
    n = max(FEWEST_SAMPLES, ceil(SAMPLES_A_PERIOD * top_hz * window_s) + 1)
    lag = np.linspace(0, window_s, n)
    used = density > 0
    # A bin flat over its width, not a line: without the sinc its covariance would come again.
    turns = np.cos(2 * pi * np.outer(lag, frequency[used])) @ density[used]
    covariance = turns * step * np.sinc(step * lag)
    weight = np.full(n, 1 / (n - 1))
    weight[[0, -1]] /= 2
    root = np.sqrt(weight)
    among = np.abs(np.arange(n)[:, None] - np.arange(n))
    value, shape = np.linalg.eigh(root[:, None] * covariance[among] * root)
    kept = value > ROUNDING * value[-1]
    return value[kept], shape[0, kept] / root[0], shape[-1, kept] / root[-1]
