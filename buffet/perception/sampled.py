"""Sampled vibration handed in from outside: what it must be before it is weighted or measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.errors import BuffetError

Array = NDArray[np.float64]

FEWEST_SAMPLES = 2


class VibrationRecordError(BuffetError):
    """A record of vibration that cannot be weighted or measured."""


def checked_samples(samples: ArrayLike, sample_rate_hz: float) -> Array:
    """Return samples as they are, ``(..., n_samples)``, where they can be used.

    Raises
    ------
    VibrationRecordError
        The rate is not above 0, there are fewer than two samples, or one is not a number.
    """
    if not (np.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise VibrationRecordError(
            f"a record's sample rate was to be above 0 Hz, got {sample_rate_hz:g}: "
            "give samples a second"
        )
    record = np.asarray(samples, dtype=np.float64)
    if record.ndim < 1 or record.shape[-1] < FEWEST_SAMPLES:
        raise VibrationRecordError(
            f"a record of vibration needs {FEWEST_SAMPLES} samples or more, got shape "
            f"{record.shape}: give an array whose last axis is time"
        )
    wrong = ~np.isfinite(record)
    if wrong.any():
        *channel, sample = (int(i) for i in np.argwhere(wrong)[0])
        where = "".join(f"channel {i}, " for i in channel)
        raise VibrationRecordError(
            f"{where}sample {sample} ({sample / sample_rate_hz:g} s) is "
            f"{record[(*channel, sample)]:g}, not a number: cut the record there or bridge the gap"
        )
    return record
