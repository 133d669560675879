"""How long a segment should be: for the peaks first, then for the record."""

from __future__ import annotations

import numpy as np

from buffet.errors import RecordTooShortError, TooFewSamplesError

# Low end of the Strouhal numbers at which car wakes shed (0.1 to 0.3 on body height).
LOWEST_STROUHAL = 0.1
# Shedding peaks of car wakes are broad; Q of 6 is typical (engineering judgement).
TYPICAL_Q = 6.0
# Four bins in a half-power bandwidth keep the peak's bias below 2 % (Bendat & Piersol, Random
# Data, 4th ed., section 8.5.1, with the Hann window's -6 dB width).
BINS_PER_BANDWIDTH = 4
# Wished for where nothing is known of the peaks; fewer than the second number is marked.
USUAL_SEGMENTS = 60
MARKED_SEGMENTS = 20
# Rather fewer segments than shorter ones: 32 bins, of which a smooth background takes up six.
SHORTEST_USUAL_SAMPLES = 64
# Peaks come first, but a short record is cut into shorter segments, down to half the wanted
# length (two bins in a bandwidth), where that brings it nearer to this number.
WISHED_SEGMENTS = 30
SHORTEST_SHARE = 0.5
# Below this nothing can be said of scatter.
FEWEST_SEGMENTS = 3
# Samples of a segment that still has a bin between the mean and Nyquist.
FEWEST_SAMPLES = 8


def segment_for_peaks_s(strouhal_length_m: float, speed_m_s: float) -> float:
    """Segment length that resolves a typical peak at the lowest Strouhal number."""
    lowest_hz = LOWEST_STROUHAL * speed_m_s / strouhal_length_m
    return BINS_PER_BANDWIDTH * TYPICAL_Q / lowest_hz


def segment_samples(
    sample_rate_hz: float,
    record_s: float,
    wanted_s: float | None,
    *,
    insist: bool = False,
    wished: int = WISHED_SEGMENTS,
) -> int:
    """Even number of samples a segment, quick to transform.

    Parameters
    ----------
    wanted_s : float or None
        Length that the peaks want; None where nothing is known of them.
    insist : bool
        The length was asked for: an error rather than a shorter one.
    wished : int
        Number of segments towards which `wanted_s` may be shortened.

    Raises
    ------
    RecordTooShortError
        The record has too few segments of the length asked for.
    TooFewSamplesError
        It has hardly any samples.
    """
    from scipy.fft import next_fast_len

    longest_s = 2 * record_s / (FEWEST_SEGMENTS + 1)
    usual_s = max(2 * record_s / (USUAL_SEGMENTS + 1), SHORTEST_USUAL_SAMPLES / sample_rate_hz)
    length_s = usual_s
    if wanted_s is not None:
        wished_s = max(2 * record_s / (wished + 1), SHORTEST_SHARE * wanted_s)
        length_s = wanted_s if insist else min(wanted_s, wished_s)
    if insist and length_s > longest_s:
        raise RecordTooShortError(record_s, length_s, FEWEST_SEGMENTS)
    ceiling = int(min(length_s, longest_s) * sample_rate_hz)
    if ceiling < FEWEST_SAMPLES:
        wanted = FEWEST_SAMPLES * (FEWEST_SEGMENTS + 1) // 2
        raise TooFewSamplesError(round(record_s * sample_rate_hz), wanted)
    half = max(4, int(np.ceil(min(length_s, longest_s) * sample_rate_hz / 2)))
    while next_fast_len(2 * half, real=True) != 2 * half:
        half += 1
    return 2 * half if 2 * half <= ceiling else 2 * (ceiling // 2)
