"""What the rig does to a signal: the balance's resonance and the band a channel can be used in."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ingest.channel import Channel

# Of the natural frequency. Corrected up to here the response is at most 1/(1 − 0.8²) = 2.8 and
# does not yet hang on the damping; engineering judgement.
USABLE_SHARE_OF_RESONANCE = 0.8
# Of an anti-alias filter's cutoff (-3 dB). A Butterworth filter of fourth order still passes
# 1/√(1 + 0.7⁸) = 97 % of an amplitude there, one of eighth order all but 0.2 %.
USABLE_SHARE_OF_CUTOFF = 0.7


def balance_response(
    frequency_hz: NDArray[np.float64], natural_frequency_hz: float, damping: float
) -> NDArray[np.complex128]:
    """Response of a balance as one degree of freedom: measured = response · true force.

    H = 1 / (1 − r² + 2 i ζ r), r = f / f_n (Bendat & Piersol 2010, Random Data, 4th ed., ch. 2).
    `frequency_hz` has any shape, the result the same.
    """
    ratio = np.asarray(frequency_hz, dtype=np.float64) / natural_frequency_hz
    stiffness_and_damping = (1.0 - ratio**2).astype(np.complex128)
    stiffness_and_damping.imag = 2.0 * damping * ratio
    return 1.0 / stiffness_and_damping


def usable_to_hz(
    channel: Channel, sample_rate_hz: float, antialias_cutoff_hz: float | None
) -> float:
    """Highest frequency a channel can be trusted to.

    The lowest of Nyquist, 0.7 of the filter's cutoff and 0.8 of the channel's resonance.
    """
    limits = [0.5 * sample_rate_hz]
    if antialias_cutoff_hz is not None:
        limits.append(USABLE_SHARE_OF_CUTOFF * antialias_cutoff_hz)
    if channel.natural_frequency_hz is not None:
        limits.append(USABLE_SHARE_OF_RESONANCE * channel.natural_frequency_hz)
    return min(limits)
