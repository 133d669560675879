"""A record cut into blocks, and each block's largest and smallest value."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Blocks of a record. 10 to 16 are usual; with 24 intervals are narrower and hold as well where
# blocks are long enough (simulated: `python -m tests.thorough extremes`).
MOST_BLOCKS, FEWEST_BLOCKS = 24, 8
# A block holds so many mean periods, that its largest value is one of many, and so many correlation
# times, that neighbours have little in common (simulated as above).
PERIODS, CORRELATION_TIMES = 20.0, 10.0
# Samples a period of the highest frequency: a peak at half of that is missed by 0.6 % on average.
SAMPLES_A_PERIOD = 8
# Periods of the highest frequency that ring at either end, since a record's ends do not meet.
RINGING = 2.0


def block_count(record_s: float, mean_period_s: float, correlation_s: float) -> int:
    """How many blocks a record is cut into; 0 where it is too short for the fewest."""
    shortest_s = max(PERIODS * mean_period_s, CORRELATION_TIMES * correlation_s)
    n = min(MOST_BLOCKS, int(record_s / shortest_s))
    return n if n >= FEWEST_BLOCKS else 0


def fine_samples(samples: Array, rate_hz: float, to_hz: float) -> tuple[Array, float]:
    """A record without what lies above a frequency, sampled finely enough to show its peaks.

    Interpolated in the frequency domain; the ends, which ring, are left out.

    Parameters
    ----------
    samples : (n,)

    Returns
    -------
    ``(n_fine,)`` and their rate in Hz.
    """
    n = len(samples)
    factor = max(1, int(np.ceil(SAMPLES_A_PERIOD * to_hz / rate_hz)))
    bins = np.fft.rfft(samples)
    bins[int(np.floor(to_hz * n / rate_hz)) + 1 :] = 0.0
    fine = np.fft.irfft(bins, n * factor) * factor
    end = int(np.ceil(RINGING / to_hz * rate_hz * factor))
    return np.asarray(fine[end:-end]), rate_hz * factor


def cut(samples: Array, n_blocks: int) -> Array:
    """Blocks of equal length, ``(n_blocks, n_each)``; what is left over stays out at the end."""
    each = len(samples) // n_blocks
    return np.asarray(samples[: n_blocks * each].reshape(n_blocks, each))


def separate_maxima(blocks: Array, apart: int) -> Array:
    """Largest value of each block, no two of them closer than `apart` samples.

    One excursion that runs across the border of two blocks counts in the one that holds its top;
    the other gives its largest value further away.
    """
    n, each = blocks.shape
    places = blocks.argmax(axis=1) + each * np.arange(n)
    values = blocks.max(axis=1).copy()
    for k in np.argsort(-values):
        for other in (k - 1, k + 1):
            if 0 <= other < n and values[other] <= values[k]:
                at = np.arange(each) + each * other
                allowed = np.abs(at - places[k]) >= apart
                if abs(places[other] - places[k]) < apart and allowed.any():
                    own = np.where(allowed, blocks[other], -np.inf)
                    places[other] = at[own.argmax()]
                    values[other] = own.max()
    return np.asarray(values)
