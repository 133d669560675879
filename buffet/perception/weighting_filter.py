"""The weightings of ISO 8041-1 on sampled acceleration, sample by sample or through its spectrum.

In time a weighting is a cascade of second-order sections from the same poles and zeros, turned
digital by the bilinear transform, which bends the frequency axis: what belongs to f comes out at
(r / π) arctan(πf / r) at a rate r. So that this matters nowhere a slow record is filtered at a
multiple of its rate and thinned again. Through the spectrum the weighting is the standard's own,
up to half the sample rate.
"""

from __future__ import annotations

import cmath
from math import ceil, isinf, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.perception.sampled import checked_samples
from buffet.perception.weighting import (
    BUTTERWORTH_Q,
    WeightingName,
    WeightingParameters,
    parameters,
    weighting,
)

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Rate at which the bilinear transform moves a frequency of 160 Hz, above which ISO 8041-1 lets a
# weighting be as small as it likes, by no more than 0.6 %.
FILTER_RATE_HZ = 4000.0
# A slower record holds nothing above half its rate: ten times that moves 0.8 of it by 0.5 %.
MOST_OVERSAMPLING = 10
# Share of half the sample rate up to which a weighting holds its tolerance: oversampling rolls off
# from there on.
HOLDS_TO_NYQUIST = 0.8
# What is left of a filter's answer where it is taken as over.
FORGOTTEN = 1e-4


def weighted_in_time(name: WeightingName, acceleration: ArrayLike, sample_rate_hz: float) -> Array:
    """Return weighted acceleration of the input's shape, ``(..., n_samples)``, and its unit.

    The filter runs forwards in time, as if the first sample had lasted since ever, so that a mean
    (gravity) is not felt as a blow. What stood before the record is missing from its first
    `settling_s`. Within 1 % of the standard's factors up to 63 Hz and 2 % up to 160 Hz, where it
    allows 11 and 21 %, both up to `HOLDS_TO_NYQUIST` of half the sample rate, and 0.5° of its
    phases; Wf, which ends at 0.63 Hz, within 2 %.

    Raises
    ------
    ValueError
        If the name is none of ISO 8041-1's whole-body weightings.
    VibrationRecordError
        The record has too few samples, one that is not a number, or no rate.

    References
    ----------
    ISO 8041-1:2017 Formulae (1) to (5) with Table 3, tolerances of Tables 4 and 5; the bilinear
    transform: Oppenheim and Schafer, Discrete-Time Signal Processing, section 7.1 (from memory).
    """
    from scipy.signal import resample_poly, sosfilt

    record = checked_samples(acceleration, sample_rate_hz)
    times = oversampling(sample_rate_hz)
    sections = weighting_sections(name, sample_rate_hz * times)
    record = record - record[..., :1]
    if times > 1:
        record = np.asarray(resample_poly(record, times, 1, axis=-1, padtype="line"))
    return np.ascontiguousarray(sosfilt(sections, record, axis=-1)[..., ::times])


def weighted_in_spectrum(
    name: WeightingName, acceleration: ArrayLike, sample_rate_hz: float
) -> Array:
    """Return weighted acceleration of the input's shape, ``(..., n_samples)``, and its unit.

    The record's mean is taken off, the rest is followed by rest for as long as the filter answers,
    so that its end does not run into its start, and its transform is multiplied by the standard's
    complex factors. What stood before the record is missing from its first `settling_s`.

    Raises
    ------
    ValueError
        If the name is none of ISO 8041-1's whole-body weightings.
    VibrationRecordError
        The record has too few samples, one that is not a number, or no rate.

    References
    ----------
    ISO 8041-1:2017 Formulae (1) to (5) with Table 3; ISO 2631-1:1997 6.4.2 lets weightings be
    applied to spectra (from memory).
    """
    from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

    pad_s = settling_s(name)
    record = checked_samples(acceleration, sample_rate_hz)
    n = record.shape[-1]
    period = next_fast_len(n + ceil(pad_s * sample_rate_hz), real=True)
    factors = weighting(name, rfftfreq(period, 1 / sample_rate_hz))
    transform = rfft(record - record.mean(axis=-1, keepdims=True), period, axis=-1)
    return np.ascontiguousarray(irfft(transform * factors, period, axis=-1)[..., :n])


def oversampling(sample_rate_hz: float) -> int:
    """Return how many times its own rate a record is filtered at."""
    return min(MOST_OVERSAMPLING, max(1, ceil(FILTER_RATE_HZ / sample_rate_hz)))


def settling_s(name: WeightingName) -> float:
    """Return the time after which a weighting has forgotten all but 1e-4 of what was, seconds.

    From its slowest pole; about 5 s, and 26 s for Wf.

    Raises
    ------
    ValueError
        If the name is none of ISO 8041-1's whole-body weightings.
    """
    _, poles, _ = _analogue(parameters(name))
    return float(np.log(FORGOTTEN) / poles.real.max())


def weighting_sections(name: WeightingName, filter_rate_hz: float) -> Array:
    """Return a weighting as digital second-order sections, ``(n_sections, 6)``, scipy's order.

    For samples at `filter_rate_hz` itself: a frequency f takes the factor that belongs to
    (r / π) tan(πf / r), so that the rate r is to be well above what is filtered.

    Raises
    ------
    ValueError
        If the name is none of ISO 8041-1's whole-body weightings.
    """
    from scipy.signal import bilinear_zpk, zpk2sos

    zeros, poles, gain = _analogue(parameters(name))
    digital = bilinear_zpk(zeros, poles, gain, filter_rate_hz)
    # The stubs know real zeros and poles only.
    sections = zpk2sos(*digital)  # type: ignore[arg-type]
    return np.asarray(sections, dtype=np.float64)


def _analogue(row: WeightingParameters) -> tuple[Complex, Complex, float]:
    """Zeros and poles in rad/s and the gain of Formulae (1) to (4)."""
    zeros = [np.zeros(2, complex)]
    poles = [_pair(row.high_pass_hz, BUTTERWORTH_Q), _pair(row.low_pass_hz, BUTTERWORTH_Q)]
    gain = row.gain * (2 * pi * row.low_pass_hz) ** 2
    if not isinf(row.transition_pole_hz):
        poles.append(_pair(row.transition_pole_hz, row.transition_pole_q))
        gain *= (2 * pi * row.transition_pole_hz) ** 2
    if not isinf(row.transition_zero_hz):
        zeros.append(np.array([-2 * pi * row.transition_zero_hz], complex))
        gain /= 2 * pi * row.transition_zero_hz
    if not isinf(row.step_zero_hz):
        # Its gain at 0 Hz is (f5 / f6)², which makes it unity above the step.
        zeros.append(_pair(row.step_zero_hz, row.step_zero_q))
        poles.append(_pair(row.step_pole_hz, row.step_pole_q))
    return np.concatenate(zeros), np.concatenate(poles), gain


def _pair(frequency_hz: float, quality: float) -> Complex:
    """Roots of 1 + s / (Q ω) + (s / ω)²."""
    half = 1 / (2 * quality)
    turn = cmath.sqrt(half**2 - 1)
    return np.asarray(2 * pi * frequency_hz * np.array([-half + turn, -half - turn]), complex)
