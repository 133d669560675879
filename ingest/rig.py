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


def balance_gain(frequency_hz: NDArray[np.float64], channel: Channel) -> NDArray[np.complex128]:
    """What takes a channel's reading to the true force, ``(n,)``; one without a resonance.

    The balance reads B = k x of F = m a + c v + k x, so that in frequency, with r = f / f_n
    (one degree of freedom; Bendat & Piersol 2010, Random Data, 4th ed., ch. 2),

        F = (1 - r² + 2 i ζ r) B             no accelerometer: the inertia follows from the balance
        F = (1 + 2 i ζ r) B + m a            accelerometers: measured, whatever moves the model

    The second needs the natural frequency for the damping alone and holds through the resonance;
    m a is added by the quantities' rows. Without a stated damping it has a notch of width 2 ζ f_n.
    """
    if channel.natural_frequency_hz is None:
        return np.ones(len(frequency_hz), np.complex128)
    ratio = frequency_hz / channel.natural_frequency_hz
    inertia = np.zeros_like(ratio) if channel.inertial else ratio**2
    return np.asarray(1.0 - inertia + 2j * (channel.damping or 0.0) * ratio)


def usable_to_hz(
    channel: Channel, sample_rate_hz: float, antialias_cutoff_hz: float | None
) -> float:
    """Highest frequency a channel can be trusted to.

    The lowest of Nyquist, 0.7 of the filter's cutoff and, where no accelerometer gives the
    inertial part, 0.8 of the channel's resonance.
    """
    limits = [0.5 * sample_rate_hz]
    if antialias_cutoff_hz is not None:
        limits.append(USABLE_SHARE_OF_CUTOFF * antialias_cutoff_hz)
    if channel.natural_frequency_hz is not None and not channel.inertial:
        limits.append(USABLE_SHARE_OF_RESONANCE * channel.natural_frequency_hz)
    return min(limits)
