"""Peak factors of a Gaussian record from its spectrum."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Mean periods from which Davenport's form is near its limit: at 10 it is poor already.
FEWEST_PERIODS = 100.0
# In multiples of the RMS; no peak factor is asked for that goes further.
_LEVELS = np.linspace(1e-3, 12.0, 4801)


@dataclass(frozen=True)
class SpectralShape:
    """What a spectrum says of how often its record rises through its mean."""

    mean_frequency_hz: float  # ν, rises through the mean a second: √(m2 / m0)
    bandwidth: float  # δ = √(1 - m1² / (m0 m2)): 0 a line, 0.5 white noise from zero
    correlation_s: float  # ∫S² / (∫S)², one over the statistical bandwidth

    @classmethod
    def of(cls, frequency_hz: Array, psd: Array) -> SpectralShape | None:
        """From a PSD on equally spaced bins ``(n,)``; None where nothing is above its noise."""
        step = float(frequency_hz[1] - frequency_hz[0]) if len(frequency_hz) > 1 else 0.0
        m0, m1, m2 = (float((frequency_hz**k * psd).sum()) * step for k in range(3))
        if m0 <= 0 or m1 <= 0 or m2 <= 0:
            return None
        narrow = min(m1**2 / (m0 * m2), 1.0)
        return cls(sqrt(m2 / m0), sqrt(1 - narrow), float((psd**2).sum()) * step / m0**2)


def davenport(periods: float) -> tuple[float, float]:
    """Mean of the largest value over the RMS in νT mean periods, and its scatter.

    g = √(2 ln νT) + γ / √(2 ln νT), γ = 0.5772, and π / √6 / √(2 ln νT) (Davenport 1964, Proc.
    Institution of Civil Engineers 28, 187-196). Of a Gaussian record; many periods; crests that
    come one by one, not in groups as those of a narrow band do.

    Raises
    ------
    ValueError
        There is not more than one period.
    """
    if periods <= 1:
        raise ValueError(f"a peak factor needs more than one period, got {periods:g}")
    root = sqrt(2 * log(periods))
    return root + np.euler_gamma / root, pi / sqrt(6) / root


def grouped(periods: float, bandwidth: float) -> float:
    """Mean of the largest value over the RMS where crests come in groups.

    The mean of the distribution P(max < r) = (1 - e^(-r²/2)) exp(-νT (1 - e^(-√(2π) δ^1.2 r)) /
    (e^(r²/2) - 1)), δ the spectrum's bandwidth (Vanmarcke 1975, J. Applied Mechanics 42, 215-220,
    for one side; from memory, with its two-sided form read in public code).
    """
    groups = -np.expm1(-sqrt(2 * pi) * bandwidth**1.2 * _LEVELS)
    rises = periods * groups / np.expm1(_LEVELS**2 / 2)
    below = -np.expm1(-(_LEVELS**2) / 2) * np.exp(-rises)
    return float(np.trapezoid(1 - below, _LEVELS) + _LEVELS[0])
