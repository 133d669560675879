"""What the rig does to a signal, how it is taken out, and the band that leaves of a channel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ingest.channel import Channel
from ingest.flow import run_fluid
from ingest.measured_response import MeasuredResponse
from ingest.tubing import Gas, gas_at
from ingest.tubing_band import corrected_to_hz, longest_tubing_m, sensor_over_tap

if TYPE_CHECKING:
    from ingest.record import Run

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Of an anti-alias filter's cutoff (-3 dB). A Butterworth filter of fourth order still passes
# 1/√(1 + 0.7⁸) = 97 % of an amplitude there, one of eighth order all but 0.2 %.
USABLE_SHARE_OF_CUTOFF = 0.7
# Low enough for any tube to lag by one and the same time.
_SLOW_HZ = 1e-3


@dataclass(frozen=True)
class CorrectionBounds:
    """How far the rig's response is taken out; beyond, a channel is not used."""

    # Of a tubing's correction: sensor noise and errors of the stated tube grow alike, fourfold by
    # 12 dB (engineering judgement).
    largest_amplification: float = 4.0
    # Of the reading's PSD: beyond one half a corrected spectrum is more noise than signal
    # (engineering judgement).
    largest_noise_share: float = 0.5
    # Of a balance's natural frequency. Corrected up to here the response is at most
    # 1/(1 − 0.8²) = 2.8 and does not yet hang on the damping; engineering judgement.
    usable_share_of_resonance: float = 0.8


@dataclass(frozen=True)
class TubingCorrection:
    """What was done about one channel's tubing."""

    to_hz: float
    largest_amplification: float  # of 1 / |H| up to there, 1 at least
    lag_s: float  # of the sensor behind the tap, for slow changes
    model: str  # "Bergh and Tijdeman 1965" or "measured"


@dataclass(frozen=True)
class RigResponse:
    """The rig of one run: what takes a reading to the truth, and how far."""

    sample_rate_hz: float
    antialias_cutoff_hz: float | None = None
    bounds: CorrectionBounds = field(default_factory=CorrectionBounds)
    gas: Gas | None = None  # in the tubes; None: nobody knows, and only measured ones are corrected
    # By a channel's name: how far its sampling, and resampling, lets it through.
    sampling_reach_hz: Mapping[str, float] = field(default_factory=dict)
    # By a tubed channel's name: from here on wind-off noise would be amplified.
    noisy_from_hz: Mapping[str, float] = field(default_factory=dict)

    def gain(self, frequency_hz: Array, channel: Channel) -> Complex:
        """What takes a channel's reading to the truth, ``(n,)``: the force, the tap's pressure.

        For a tube 1 / H, no larger than the bound, which only what is not used exceeds.
        """
        gain = balance_gain(frequency_hz, channel)
        response = self.tubing_response(frequency_hz, channel)
        if response is None:
            return gain
        size = np.maximum(np.abs(response), 1 / self.bounds.largest_amplification)
        return np.asarray(gain * np.exp(-1j * np.angle(response)) / size)

    def tubing_response(self, frequency_hz: Array, channel: Channel) -> Complex | None:
        """Sensor over tap, ``(n,)``; None where nothing is stated or the gas is not known."""
        if channel.tubing is None:
            return None
        return sensor_over_tap(frequency_hz, channel.tubing, self.gas)

    def usable_to_hz(self, channel: Channel) -> float:
        """Highest frequency a channel can be trusted to.

        The lowest of Nyquist, or what a resampling passes, 0.7 of the filter's cutoff, for a
        balance without an accelerometer that gives the inertial part 0.8 of its resonance, and for
        a tubed tap where the correction or the noise exceeds its bound.
        """
        limit_hz = self.untubed_to_hz(channel)
        if channel.tubing is None:
            return limit_hz
        largest = self.bounds.largest_amplification
        limit_hz = min(limit_hz, self.noisy_from_hz.get(channel.name, limit_hz))
        return corrected_to_hz(channel.tubing, self.gas, largest, limit_hz)

    def untubed_to_hz(self, channel: Channel) -> float:
        """The same without regard to tubing."""
        limits = [self.sampling_reach_hz.get(channel.name, 0.5 * self.sample_rate_hz)]
        if self.antialias_cutoff_hz is not None:
            limits.append(USABLE_SHARE_OF_CUTOFF * self.antialias_cutoff_hz)
        if channel.natural_frequency_hz is not None and not channel.inertial:
            limits.append(self.bounds.usable_share_of_resonance * channel.natural_frequency_hz)
        return min(limits)

    def tubing_correction(self, channel: Channel) -> TubingCorrection | None:
        """What was done about a channel's tubing; None where nothing was."""
        to_hz = self.usable_to_hz(channel)
        response = self.tubing_response(np.linspace(0, to_hz, 1001), channel)
        slow = self.tubing_response(np.array([_SLOW_HZ]), channel)
        if response is None or slow is None:
            return None
        return TubingCorrection(
            to_hz,
            float(1 / np.abs(response).min()),
            float(-np.angle(slow[0]) / (2 * np.pi * _SLOW_HZ)),
            "measured"
            if isinstance(channel.tubing, MeasuredResponse)
            else "Bergh and Tijdeman 1965",
        )

    def longest_tubing_m(self, channel: Channel, to_hz: float) -> float | None:
        """Total length of these tubes that could be corrected to a frequency; None: none could."""
        pieces = channel.tubing
        if self.gas is None or pieces is None or isinstance(pieces, MeasuredResponse):
            return None
        return longest_tubing_m(pieces, self.gas, self.bounds.largest_amplification, to_hz)


def rig_response(
    run: Run,
    sample_rate_hz: float,
    channel_means: Mapping[str, float],
    sampling_reach_hz: Mapping[str, float] | None = None,
) -> RigResponse:
    """The rig of a run, with the air that its channels' means (by name, SI) and its sheet give."""
    fluid = run_fluid(run, channel_means)
    gas = None
    if fluid.is_air:
        gas = gas_at(fluid.density_kg_m3, fluid.static_pressure_pa, fluid.viscosity_pa_s)
    return RigResponse(
        sample_rate_hz, run.antialias_cutoff_hz, run.bounds, gas, sampling_reach_hz or {}
    )


def balance_gain(frequency_hz: Array, channel: Channel) -> Complex:
    """What takes a balance's reading to the true force, ``(n,)``; one without a resonance.

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
