"""Spectral peaks that chance does not explain, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.interval import LEVEL, Interval
from buffet.spectral.whittle import (
    BACKGROUND_TERMS,
    NARROWEST_BINS,
    Fit,
    Grid,
    background_start,
    fit,
    resonance,
    resonance_variance,
)
from buffet.spectral.window import HANN_BIN_INFORMATION

Array = NDArray[np.float64]
PeakKind = Literal["broad", "harmonic", "line"]

# A peak is reported when a smooth spectrum would show one as strong, anywhere, in fewer than
# one record in twenty.
SIGNIFICANCE = 0.05
SIMULATIONS = 500
MOST_PEAKS = 6
# Bandwidths looked for: a line, two resolutions, and resonances of Q 12, 6 and 3.
NARROW_WIDTHS_BINS = (0.5, 2.0)
QUALITY_FACTORS = (12.0, 6.0, 3.0)
# Narrower than this the window, not the flow, sets the width.
LINE_WIDTH_BINS = 0.6
# Segments simulated for the null distribution; more are imitated by shrinking the scatter.
MOST_SIMULATED_SEGMENTS = 32


@dataclass(frozen=True)
class Peak:
    """One peak of a channel's spectrum."""

    frequency_hz: Interval  # natural frequency of the fitted resonance
    bandwidth_hz: Interval  # half-power
    rms: Interval  # of the energy in the peak
    p_value: float
    kind: PeakKind


def find_peaks(frequency_hz: Array, psd: Array, effective_segments: float) -> tuple[Peak, ...]:
    """Fit a background, then peaks one by one while each is significant, strongest first.

    Parameters
    ----------
    frequency_hz, psd : (n_bins,)
        Evenly spaced bins of an averaged Hann periodogram, without the first two bins.
    effective_segments : float
        Independent segments behind the average.
    """
    if len(psd) < 3 * BACKGROUND_TERMS or not (psd > 0).all():
        return ()
    grid = Grid(frequency_hz, float(frequency_hz[1] - frequency_hz[0]))
    weight = effective_segments * HANN_BIN_INFORMATION
    scale = float(np.median(psd))
    level = psd / scale
    current = fit(grid, level, background_start(grid, level), weight)
    p_values: list[float] = []
    while current.n_peaks < MOST_PEAKS:
        templates = _templates(grid)
        p_value, candidate = _strongest(current, level, templates, effective_segments)
        if p_value >= SIGNIFICANCE:
            break
        start = np.append(current.parameters, _start(current, level, candidate))
        current = fit(grid, level, start, weight)
        p_values.append(p_value)
    peaks = [_peak(current, i, p, scale) for i, p in enumerate(p_values)]
    return tuple(sorted(peaks, key=lambda peak: -peak.rms.value))


def _templates(grid: Grid) -> list[tuple[float, float]]:
    """Natural frequencies and bandwidths to scan, spaced by a fraction of the bandwidth."""
    low, high = float(grid.frequency_hz[0]), float(grid.frequency_hz[-1])
    pairs: list[tuple[float, float]] = []
    for bins in NARROW_WIDTHS_BINS:
        width = bins * grid.step_hz
        spacing = max(width, grid.step_hz) / 2
        pairs += [(f, width) for f in np.arange(low, high, spacing) if width < f]
    for quality in QUALITY_FACTORS:
        n = max(2, int(np.log(high / low) * quality * 3))
        broad = np.geomspace(low, high, n)
        pairs += [(f, f / quality) for f in broad if f / quality > 2 * grid.step_hz]
    return pairs


def _strongest(
    null: Fit, psd: Array, candidates: list[tuple[float, float]], effective_segments: float
) -> tuple[float, tuple[float, float]]:
    """p-value of the largest score over all candidates, and that candidate.

    Efficient score of a peak of vanishing height (Rao 1948), the directions of the fitted
    parameters projected out, against the same maximum over spectra drawn from the null fit.
    """
    shapes = np.array([resonance(null.grid.fine_hz, 1.0, f, b) for f, b in candidates])
    templates = null.grid.smooth(shapes) / null.spectrum
    tangent = np.linalg.qr((null.gradient / null.spectrum).T)[0]
    raw = np.linalg.norm(templates, axis=1)
    templates = templates - (templates @ tangent) @ tangent.T
    norms = np.linalg.norm(templates, axis=1)
    distinct = norms > 0.05 * raw  # the rest is what the null already fits
    templates = templates[distinct] / norms[distinct, None]
    scores = templates @ (psd / null.spectrum - 1)
    ratios = null_ratios(len(psd), round(effective_segments, 2))
    largest = (templates @ (ratios - 1).T).max(axis=0)
    best = int(np.argmax(scores))
    p_value = (1 + int(np.sum(largest >= scores[best]))) / (len(largest) + 1)
    return p_value, [c for c, keep in zip(candidates, distinct, strict=True) if keep][best]


@lru_cache(maxsize=8)
def null_ratios(n_bins: int, effective_segments: float, seed: int = 1982) -> Array:
    """Averaged Hann periodograms of noise over their mean, ``(SIMULATIONS, n_bins)``.

    Neighbouring bins are correlated as the window makes them: white bins convolved with the
    Hann window's transform (-1/4, 1/2, -1/4).
    """
    rng = np.random.default_rng(seed)
    segments = int(np.clip(round(effective_segments), 1, MOST_SIMULATED_SEGMENTS))
    total = np.zeros((SIMULATIONS, n_bins))
    for _ in range(segments):
        parts = rng.standard_normal((2, SIMULATIONS, n_bins + 2))
        hann = parts[..., 1:-1] - (parts[..., :-2] + parts[..., 2:]) / 2
        total += (hann**2).sum(axis=0)
    ratios = total / (segments * 2 * 1.5)
    shrink = np.sqrt(segments / max(effective_segments, 1.0))
    ratios = 1 + (ratios - 1) * shrink
    ratios.setflags(write=False)
    return ratios


def _start(null: Fit, psd: Array, candidate: tuple[float, float]) -> Array:
    """Height that makes up for the excess over the null fit, at the best candidate."""
    natural, width = candidate
    shape = null.grid.smooth(resonance(null.grid.fine_hz, 1.0, natural, width))
    near = shape > 0.3 * shape.max()
    excess = float(np.mean((psd - null.spectrum)[near]) / np.mean(shape[near]))
    floor = 0.05 * float(np.mean(null.spectrum[near]))
    return np.log([max(excess, floor), natural, width])


def _peak(fitted: Fit, index: int, p_value: float, scale: float) -> Peak:
    log_height, log_natural, log_width = fitted.peak(index)
    covariance = fitted.peak_covariance(index)
    variance = scale * resonance_variance(float(np.exp(log_height)), float(np.exp(log_width)))
    # variance ∝ A · B, so its logarithm is the sum of theirs
    energy = covariance[0, 0] + covariance[2, 2] + 2 * covariance[0, 2]
    width_bins = float(np.exp(log_width)) / fitted.grid.step_hz
    kind: PeakKind = "line" if width_bins < LINE_WIDTH_BINS else "broad"
    width = _log_interval(float(np.exp(log_width)), covariance[2, 2])
    if width_bins <= NARROWEST_BINS * 1.01:  # the bandwidth is only known from above
        width = Interval(width.value, None, LINE_WIDTH_BINS * fitted.grid.step_hz)
    return Peak(
        _log_interval(float(np.exp(log_natural)), covariance[1, 1]),
        width,
        _log_interval(float(np.sqrt(variance)), energy / 4),
        p_value,
        kind,
    )


def _log_interval(value: float, variance: float) -> Interval:
    from scipy.special import ndtri

    half = float(ndtri(0.5 + LEVEL / 2) * np.sqrt(max(variance, 0.0)))
    return Interval(value, value * float(np.exp(-half)), value * float(np.exp(half)))
