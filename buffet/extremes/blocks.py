"""A record cut into blocks, and each block's largest and smallest value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.extremes.gumbel import Tail, tail_of
from buffet.extremes.peak_factor import SpectralShape

Array = NDArray[np.float64]

# Blocks of a record. 10 to 16 are usual; with 24 intervals are narrower and hold as well where
# blocks are long enough (simulated: `python -m tests.thorough extremes`).
MOST_BLOCKS, FEWEST_BLOCKS = 24, 8
# A block holds so many mean periods, that its largest value is one of many, and so many correlation
# times, that neighbours have little in common (simulated as above).
PERIODS, CORRELATION_TIMES = 20.0, 10.0
# Samples a period of the highest frequency: a peak at half of that is missed by 0.6 % on average.
SAMPLES_A_PERIOD = 8
# Samples that a record is interpolated to at most; a longer one holds enough of its peaks as it is.
MOST_FINE = 8_000_000
# Periods of the highest frequency that ring at either end, since a record's ends do not meet.
RINGING = 2.0
GAUSSIAN_KURTOSIS = 3.0


@dataclass(frozen=True)
class RecordExtremes:
    """Both tails of a record, and how its samples are distributed."""

    largest: Tail
    smallest: Tail
    skewness: float
    excess_kurtosis: float  # 0 for a Gaussian record


def record_extremes(
    samples: Array, rate_hz: float, to_hz: float, shape: SpectralShape
) -> RecordExtremes | str:
    """Extremes of a record's blocks, or why there are none, a clause.

    Parameters
    ----------
    samples : (n,), at `rate_hz`
    to_hz : what lies above is left out
    shape : of the record's spectrum up to there
    """
    short = (
        f"{len(samples) / rate_hz:.3g} s do not hold {FEWEST_BLOCKS} blocks long enough for "
        f"fluctuations of {shape.mean_frequency_hz:.2g} Hz"
    )
    if len(samples) <= 4 * RINGING * rate_hz / to_hz:
        return short
    fine, fine_hz = fine_samples(samples, rate_hz, to_hz)
    record_s = len(fine) / fine_hz
    n = block_count(record_s, 1 / shape.mean_frequency_hz, shape.correlation_s)
    if not n:
        return short
    blocks = cut(fine, n)
    if any(np.ptp(ends) == 0 for ends in (blocks.max(axis=1), blocks.min(axis=1))):
        return "the blocks' extremes are all the same, as of a clipped signal"
    apart = int(np.ceil(max(1 / shape.mean_frequency_hz, shape.correlation_s) * fine_hz))
    block_s = blocks.shape[1] / fine_hz
    largest = tail_of(blocks, separate_maxima(blocks, apart), block_s, 1)
    smallest = tail_of(blocks, -separate_maxima(-blocks, apart), block_s, -1)
    z = (fine - largest.mean) / largest.rms
    return RecordExtremes(
        largest, smallest, float((z**3).mean()), float((z**4).mean()) - GAUSSIAN_KURTOSIS
    )


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
    factor = max(1, min(int(np.ceil(SAMPLES_A_PERIOD * to_hz / rate_hz)), MOST_FINE // n))
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
