"""Statistical bandwidth of a spectrum, and the error it leaves in the RMS of a record."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def statistical_bandwidth_hz(
    frequency_hz: Array, psd: Array, noise_psd: Array | float = 0.0, averages: float = np.inf
) -> float:
    """Bandwidth B_s of the even spectrum whose RMS is as uncertain, (∫S)² / ∫(S + N)².

    Bendat & Piersol 2010, Random Data, 4th ed., section 8.3 (from memory). Noise N, whose own
    power is taken out, adds to the scatter and not to the value.

    Parameters
    ----------
    frequency_hz : (n,), evenly spaced
    psd : (n,), of the signal, unit² per hertz; one-sided
    noise_psd : (n,), likewise
    averages : independent periodograms behind an estimated `psd`, whose squares are too large by
        a factor of 1 + 1/averages
    """
    step = float(frequency_hz[1] - frequency_hz[0])
    squares = float(np.sum((psd + noise_psd) ** 2)) * step / (1 + 1 / averages)
    return (float(np.sum(psd)) * step) ** 2 / squares


def record_for_rms_s(bandwidth_hz: float, error: float) -> float:
    """Record length at which the RMS of Gaussian noise has a relative standard error.

    ε = 1 / (2 √(B_s T)) (Bendat & Piersol 2010, section 8.2.2, from memory), T = 1 / (4 B_s ε²).
    """
    return 1 / (4 * bandwidth_hz * error**2)
