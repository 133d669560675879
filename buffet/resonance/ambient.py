"""Modes from the spectrum of a wind-off record: what rings of floor, pumps and footsteps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.resonance.result import HIGHEST_DAMPING, ChannelResonance, Mode, SpectrumDrawing
from buffet.rotation import mains_source, rotation_source
from buffet.spectral.peak_model import resonance
from buffet.spectral.peaks import Peak, fit_peaks
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.starts import MOST_PEAKS
from buffet.spectral.window import LOBE_BINS
from ingest import Channel, RigResponse, Rotation, Run

Array = NDArray[np.float64]

# Segments a record is cut into: the fit knows what the window does to a peak, and holds its
# intervals down to half-power widths of 0.7 bins with 8, 12 or 20 of them (simulated).
SEGMENTS = 20
# A half-power width of 0.5 % of 10 Hz has one bin of these.
LONGEST_SEGMENT_S = 20.0
# Bins of one fit; a balance's modes lie far below where this ends it (engineering judgement).
MOST_BINS = 4000
# Wider than this many bins a peak near the mains' frequency is no hum.
HUM_BINS = 3.0
# How often, of a hundred smooth spectra, one channel may show a peak as strong: many channels are
# looked at, most of them without a resonance, and a wrong one would be corrected for.
SIGNIFICANT = 0.002
# A width is not known from chance where its interval reaches further than this factor.
WIDTH_KNOWN_TO = 3.0
# A line is taken out with its lobe, and neighbours on either side stand in for it.
CLEANED_BINS, NEIGHBOURS = LOBE_BINS + 2, 8
MOST_CLEANINGS = 4


def segment_samples(n_samples: int, rate_hz: float) -> int:
    """Even number of samples a segment."""
    longest = int(LONGEST_SEGMENT_S * rate_hz)
    return max(min(2 * n_samples // (SEGMENTS + 1), longest) // 2 * 2, 4)


def logged_to_hz(run: Run, channel: Channel, rate_hz: float) -> float:
    """Highest frequency that the logger leaves as it is, whatever resonance is stated."""
    as_logged = replace(channel, natural_frequency_hz=None)
    return RigResponse(rate_hz, run.antialias_cutoff_hz).untubed_to_hz(as_logged)


def ambient_modes(
    channel: Channel,
    frequency_hz: Array,
    psd: Array,
    effective_segments: float,
    to_hz: float,
    rotation: Rotation,
) -> ChannelResonance:
    """The resonances of one channel's spectrum.

    Parameters
    ----------
    frequency_hz, psd : (n_bins,)
        All bins of an averaged Hann periodogram.
    to_hz : float
        Highest frequency that the logger's filter leaves as it is.
    """
    step_hz = float(frequency_hz[1] - frequency_hz[0])
    last = min(int(np.searchsorted(frequency_hz, to_hz)), len(psd) - 1, FIRST_BIN + MOST_BINS)
    inside = slice(FIRST_BIN, last)
    frequency_hz, psd = frequency_hz[inside], psd[inside]
    if len(psd) < 2 or not (psd > 0).all():
        return ChannelResonance(channel, "wind-off", (), "the channel never changed")
    peaks = _peaks(frequency_hz, psd, effective_segments)
    total = float(np.sum(psd)) * step_hz
    rings = [peak for peak in peaks if _why_not(peak, step_hz, rotation) is None]
    lines = tuple(why for peak in peaks if (why := _why_not(peak, step_hz, rotation)) is not None)
    modes = tuple(_mode(peak, total) for peak in rings)
    why = "" if modes else _nothing(len(peaks), to_hz if last < MOST_BINS else frequency_hz[-1])
    drawn = sum((_density(frequency_hz, peak) for peak in rings), np.zeros(len(psd)))
    drawing = SpectrumDrawing(frequency_hz, psd, np.asarray(drawn))
    return ChannelResonance(channel, "wind-off", modes, why, lines=lines, drawing=drawing)


def _peaks(frequency_hz: Array, psd: Array, effective_segments: float) -> tuple[Peak, ...]:
    """Strongest first; where lines take up all that a fit may hold, it is done again without."""
    found: list[Peak] = []
    for _ in range(MOST_CLEANINGS):
        peaks = fit_peaks(frequency_hz, psd, effective_segments).peaks
        lines = [peak for peak in peaks if peak.kind == "line"]
        if len(peaks) < MOST_PEAKS or not lines:
            break
        found += lines
        psd = _without(frequency_hz, psd, lines)
    return tuple(sorted((*found, *peaks), key=lambda peak: -peak.rms.value))


def _without(frequency_hz: Array, psd: Array, lines: Sequence[Peak]) -> Array:
    """The spectrum with each line's lobe replaced by its neighbours' median."""
    clean = psd.copy()
    for line in lines:
        middle = int(np.argmin(np.abs(frequency_hz - line.frequency_hz.value)))
        lobe = slice(max(middle - CLEANED_BINS, 0), middle + CLEANED_BINS + 1)
        near = clean[max(lobe.start - NEIGHBOURS, 0) : lobe.stop + NEIGHBOURS]
        clean[lobe] = np.minimum(clean[lobe], np.median(near))
    return clean


def _why_not(peak: Peak, step_hz: float, rotation: Rotation) -> str | None:
    """What a peak is where it is no resonance; None where it is one."""
    value = peak.frequency_hz
    narrow = peak.kind == "line" or peak.bandwidth_hz.value < HUM_BINS * step_hz
    source = (mains_source(value) or rotation_source(value, rotation, None)) if narrow else None
    if source is not None:
        return str(source)
    if peak.kind == "line":
        return f"{value.value:.4g} Hz: a line without width, hum or something that turns"
    if peak_damping(peak).value > HIGHEST_DAMPING:
        return f"{value.value:.3g} Hz: too broad for a resonance"
    high = peak.bandwidth_hz.high
    if (
        peak.p_value > SIGNIFICANT
        or high is None
        or high > WIDTH_KNOWN_TO * peak.bandwidth_hz.value
    ):
        return f"{value.value:.4g} Hz: too weak to be told from chance"
    return None


def peak_damping(peak: Peak) -> Interval:
    """ζ = B / (2 f_n) of a fitted resonance.

    Both errors are on the log scale and hardly depend on one another.

    In |H|² = f_n⁴ / ((f² - f_n²)² + (2 ζ f_n f)²) the fit's B is 2 ζ f_n.
    """
    width, natural = peak.bandwidth_hz, peak.frequency_hz
    value = width.value / (2 * natural.value)
    if not width.high or not natural.high:
        return Interval(value, None, None)
    parts = (width.high / width.value, natural.high / natural.value)
    half = sqrt(sum(float(np.log(part)) ** 2 for part in parts))
    return Interval(value, value * float(np.exp(-half)), value * float(np.exp(half)))


def _mode(peak: Peak, total: float) -> Mode:
    return Mode(peak.frequency_hz, peak_damping(peak), min(peak.rms.value**2 / total, 1.0), 1)


def _density(frequency_hz: Array, peak: Peak) -> Array:
    """Of the fitted resonance, whose variance is A π B / 2."""
    width = peak.bandwidth_hz.value
    height = 2 * peak.rms.value**2 / (np.pi * width)
    return resonance(frequency_hz, height, peak.frequency_hz.value, width)


def _nothing(n_peaks: int, to_hz: float) -> str:
    up_to = f"up to {ceil(to_hz)} Hz"
    if n_peaks == 0:
        return f"nothing stands out of a smooth spectrum {up_to}: too little shook the balance"
    return f"what stands out {up_to} is no resonance"
