"""The red noise beneath a spectrum's peaks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.peak_model import resonance, resonance_variance
from buffet.spectral.peaks import Peak
from buffet.spectral.wavelet import RedNoise
from buffet.spectral.window import LOBE_BINS

Array = NDArray[np.float64]

# Lag-one coefficients looked at: white noise, then ever closer to a random walk.
LAG_ONES = 1 - np.geomspace(1.0, 1e-3, 61)
# Rounds in which the level settles at each of them; it converges by a factor of two or more each.
ROUNDS = 12


def red_noise_beneath(
    frequency_hz: Array, psd: Array, peaks: Sequence[Peak], step_s: float
) -> RedNoise:
    """First-order autoregressive noise that, with the fitted peaks on it, explains a spectrum best.

    By Whittle likelihood. Without the peaks in the model they would raise the noise against which
    they are to be judged. Bins of pure lines are left out.

    Parameters
    ----------
    frequency_hz, psd : (n_bins,), evenly spaced bins above those of the mean, unit² / Hz
    step_s : time step of the process
    """
    narrow = [peak for peak in peaks if peak.kind == "line"]
    reach = LOBE_BINS * (frequency_hz[1] - frequency_hz[0])
    off = [np.abs(frequency_hz - peak.frequency_hz.value) > reach for peak in narrow]
    kept = np.all(off, axis=0) if off else np.ones(len(psd), bool)
    frequency, seen = frequency_hz[kept], psd[kept]
    broad = [_density(peak, frequency) for peak in peaks if peak.kind != "line"]
    peaked = np.sum(broad, axis=0) if broad else np.zeros(len(frequency))
    tried = [_at(lag_one, frequency, seen, peaked, step_s) for lag_one in LAG_ONES.tolist()]
    return min(tried, key=lambda one: one[0])[1]


def _density(peak: Peak, frequency_hz: Array) -> Array:
    """A fitted peak's own, ``(n_bins,)``."""
    width = peak.bandwidth_hz.value
    height = peak.rms.value**2 / resonance_variance(1.0, width)
    return resonance(frequency_hz, height, peak.frequency_hz.value, width)


def _at(
    lag_one: float, frequency_hz: Array, seen: Array, peaked: Array, step_s: float
) -> tuple[float, RedNoise]:
    """Negative log-likelihood at one coefficient, and the noise at its best level there.

    The level by expectation and maximisation: the noise's part of each bin, given the bin.
    """
    shape = RedNoise(lag_one, 1.0, step_s).density(frequency_hz)
    variance = float(np.median(seen / shape))
    for _ in range(ROUNDS):
        part = variance * shape
        model = part + peaked
        share = part / model
        variance = float(np.mean((share**2 * seen + share * peaked) / shape))
    model = variance * shape + peaked
    return float(np.sum(np.log(model) + seen / model)), RedNoise(lag_one, variance, step_s)
