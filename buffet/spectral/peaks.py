"""Spectral peaks that chance does not explain, with their uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.interval import NORMAL_HALF_WIDTH, Interval
from buffet.spectral.peak_model import (
    BACKGROUND_TERMS,
    NARROWEST_BINS,
    OVERSAMPLING,
    Grid,
    Shape,
    layers,
    seen_variance,
)
from buffet.spectral.search import strongest
from buffet.spectral.starts import (
    LEAST_LEFT,
    LINE_WIDTH_BINS,
    MOST_PEAKS,
    SIGNIFICANCE,
    TOWERING_SHARE,
    ratio_p_value,
    start_of_search,
    without_unseen,
)
from buffet.spectral.uncertainty import LARGEST_LOG
from buffet.spectral.whittle import Fit, background_start, fit, relative_deviance
from buffet.spectral.window import LOBE_BINS, line_shape
from buffet.spectral.windowed import windowed_slopes

Array = NDArray[np.float64]
PeakKind = Literal["broad", "harmonic", "line"]

# Standard deviations of the deviance above 1 that no right model shows.
CLEAR_MISFIT = 4.0
# Log-likelihood by which a mode must beat a resonance of as many parameters (Kass & Raftery
# 1995: twice it above 10 is very strong evidence).
CLEARLY_BETTER = 5.0
# By which a narrow resonance must beat a line, which has no width to fit: half the 95 % point of
# chi² of one degree of freedom, which chance exceeds once in twenty (Wilks 1938).
NO_LINE = 1.92
NUDGE = 1e-4  # of log parameters, for slopes
FLOOR_QUANTILE = 0.1  # of the bins, where the floor behind a mode is first looked for
# Of a channel's variance; a peak with less (0.3 % of the RMS) concerns nobody.
NEGLIGIBLE_SHARE = 1e-5
# Upper limit of a peak's frequency over the frequency: an octave away is anywhere.
UNPLACED = 2.0


@dataclass(frozen=True)
class Peak:
    """One peak of a channel's spectrum."""

    frequency_hz: Interval  # natural frequency of the fitted resonance
    bandwidth_hz: Interval  # half-power
    rms: Interval  # of the energy in the peak
    p_value: float
    kind: PeakKind


@dataclass(frozen=True)
class PeakFit:
    """The peaks of one channel and how well the fitted model describes its spectrum."""

    peaks: tuple[Peak, ...]  # strongest first
    # Over that of a right model: about 1. Where clearly above, the peaks' intervals are widened.
    deviance: float | None  # None where nothing was fitted
    shares: Array  # (n_peaks, n_bins), what each makes of the fitted spectrum, over that


def find_peaks(frequency_hz: Array, psd: Array, effective_segments: float) -> tuple[Peak, ...]:
    """The peaks of `fit_peaks`, strongest first."""
    return fit_peaks(frequency_hz, psd, effective_segments).peaks


def fit_peaks(
    frequency_hz: Array,
    psd: Array,
    effective_segments: float,
    lines_hz: Sequence[float] = (),
) -> PeakFit:
    """Fit a background, then peaks one by one while each is significant.

    Where peaks that add to a background cannot describe the spectrum, it is tried whether they
    are seen through a mode that multiplies them: a balance's resonance nobody stated, a filter.

    Parameters
    ----------
    frequency_hz, psd : (n_bins,)
        Evenly spaced bins of an averaged Hann periodogram, without the first two bins.
    effective_segments : float
        Independent segments behind the average.
    lines_hz : (n_lines,)
        Pure lines that a finer test has found, the clearest first: the fit starts from them. On a
        broad peak's flank they are hard to see in the spectrum alone and bend the peak (simulated
        with Q 6: a line of an eighth of the variance is then found in all records instead of four
        fifths, and the peak's frequency scatters by a quarter less).
    """
    if len(psd) < 3 * BACKGROUND_TERMS or not (psd > 0).all():
        return no_peaks(len(psd))
    grid = _grid(np.ascontiguousarray(frequency_hz, float).tobytes())
    scale = float(np.median(psd))
    level = psd / scale
    start = start_of_search(grid, level, effective_segments, lines_hz)
    found = _search(start.fitted, start.p_values, level, effective_segments, modes=False)
    # what a mode does to a broad force cannot be seen in a periodic one
    if not start.is_periodic and _misfit(found, level, effective_segments) > 1:
        through = _search(start.fitted, start.p_values, level, effective_segments, modes=True)
        found = min(found, through, key=_information_criterion)
    fitted, p_values = found = without_unseen(*found, level, lines_hz)
    deviance, _ = relative_deviance(fitted, level, effective_segments)
    fitted = replace(fitted, weight=fitted.weight / _misfit(found, level, effective_segments))
    peaks = [_peak(fitted, level, i, p, scale) for i, p in enumerate(p_values)]
    least = np.sqrt(NEGLIGIBLE_SHARE * float(np.sum(psd)) * grid.step_hz)
    heard = [i for i, peak in enumerate(peaks) if peak.rms.value > least and _has_a_place(peak)]
    heard.sort(key=lambda i: -peaks[i].rms.value)
    shares = np.array([fitted.share(i) for i in heard]).reshape(len(heard), len(psd))
    return PeakFit(tuple(peaks[i] for i in heard), deviance, shares)


@lru_cache(maxsize=8)
def _grid(frequency_hz: bytes) -> Grid:
    """Of the bins' frequencies, made once for all channels that have the same."""
    own = np.frombuffer(frequency_hz)
    return Grid(own, float(own[1] - own[0]))


def no_peaks(n_bins: int) -> PeakFit:
    """Where none were looked for."""
    return PeakFit((), None, np.empty((0, n_bins)))


def _search(
    current: Fit, p_values: list[float], psd: Array, effective_segments: float, *, modes: bool
) -> tuple[Fit, list[float]]:
    """The fit with every significant peak more, and their p-values."""
    for _ in range(MOST_PEAKS + 2):  # two more than kept: a mode may make earlier ones idle
        if current.n_peaks == MOST_PEAKS:
            break
        p_value, candidate = strongest(current, psd, effective_segments, SIGNIFICANCE)
        if p_value >= SIGNIFICANCE:
            break
        current = _with_peak(current, psd, candidate, modes=modes)
        p_values = [*p_values, p_value]
        if "mode" in current.shapes:
            current, p_values = _without_idle(current, psd, p_values)
    return current, p_values


def _misfit(found: tuple[Fit, list[float]], psd: Array, effective_segments: float) -> float:
    """Factor on the parameters' covariance: the deviance where it is clearly above 1."""
    deviance, scatter = relative_deviance(found[0], psd, effective_segments)
    return deviance if deviance > 1 + CLEAR_MISFIT * scatter else 1.0


def _information_criterion(found: tuple[Fit, list[float]]) -> float:
    """Schwarz 1978, over the bins."""
    fitted, _ = found
    return float(len(fitted.parameters) * np.log(len(fitted.spectrum)) - 2 * fitted.log_likelihood)


def _has_a_place(peak: Peak) -> bool:
    """Whether its frequency is known; else it only mends the background (a sharp edge, say)."""
    high = peak.frequency_hz.high
    return high is not None and high < UNPLACED * peak.frequency_hz.value


def _without_idle(grown: Fit, psd: Array, p_values: list[float]) -> tuple[Fit, list[float]]:
    """Refit without the peaks that stood in for a mode before it was found (the last one)."""
    for i in reversed(range(grown.n_peaks - 1)):
        own = BACKGROUND_TERMS + 3 * i + np.arange(3)
        shapes = grown.shapes[:i] + grown.shapes[i + 1 :]
        fewer = fit(grown.grid, psd, np.delete(grown.parameters, own), grown.weight, shapes)
        if ratio_p_value(fewer, grown) >= SIGNIFICANCE:
            grown, p_values = fewer, p_values[:i] + p_values[i + 1 :]
    return grown, p_values


def _with_peak(null: Fit, psd: Array, candidate: tuple[float, float], *, modes: bool) -> Fit:
    """Refit with one more peak: a resonance, a line where it shrinks to one, or a mode."""
    start = np.append(null.parameters, _start(null, psd, candidate))
    grown = _lines_told(_from_two_starts(null, psd, start, (*null.shapes, "resonance")), psd)
    if not modes:
        return grown
    start[-3] = np.log(np.quantile(psd, FLOOR_QUANTILE))
    grown = _exchanged(grown, psd)
    seen_through = _lines_told(_from_two_starts(null, psd, start, (*null.shapes, "mode")), psd)
    seen_through = _exchanged(seen_through, psd)
    clearly = seen_through.log_likelihood > grown.log_likelihood + CLEARLY_BETTER
    return seen_through if clearly else grown


def _exchanged(grown: Fit, psd: Array) -> Fit:
    """The best of the fit and those in which a mode and a resonance have changed places.

    Either can stand in for the other, a maximum of the likelihood that no step leads out of.
    """
    modes = [i for i, shape in enumerate(grown.shapes) if shape == "mode"]
    resonances = [i for i, shape in enumerate(grown.shapes) if shape == "resonance"]
    floor = float(np.log(np.quantile(psd, FLOOR_QUANTILE)))
    best = grown
    for mode, other in product(modes, resonances):
        start, shapes = grown.parameters.copy(), list(grown.shapes)
        peaks = start[BACKGROUND_TERMS:].reshape(-1, 3)
        at = np.interp(np.exp(peaks[mode, 1]), grown.grid.frequency_hz, grown.spectrum)
        peaks[mode, 0], peaks[other, 0] = np.log(at), floor
        shapes[mode], shapes[other] = shapes[other], shapes[mode]
        swapped = fit(grown.grid, psd, start, grown.weight, tuple(shapes))
        best = max(best, swapped, key=lambda one: one.log_likelihood)
    return best


def _lines_told(grown: Fit, psd: Array) -> Fit:
    """Refit with resonances that shrink to lines as lines."""
    step_hz = grown.grid.step_hz
    widths_hz = np.exp(grown.parameters[BACKGROUND_TERMS:].reshape(-1, 3)[:, 2])
    resonances = np.array([shape == "resonance" for shape in grown.shapes])
    at_bound = resonances & (widths_hz < 1.05 * NARROWEST_BINS * step_hz)
    narrow = resonances & (widths_hz < LINE_WIDTH_BINS * step_hz)
    if not narrow.any():
        return grown
    line = _as_lines(grown, psd, narrow)
    if line.log_likelihood > grown.log_likelihood - NO_LINE * np.count_nonzero(narrow):
        return line
    return _as_lines(grown, psd, at_bound) if at_bound.any() else grown


def _as_lines(fitted: Fit, psd: Array, which: NDArray[np.bool_]) -> Fit:
    """Refit with some of the resonances as pure lines of the same variance."""
    start = fitted.parameters.copy()
    peaks = start[BACKGROUND_TERMS:].reshape(-1, 3)
    peaks[which, 0] += np.log(np.pi / 2) + peaks[which, 2]  # A π B / 2
    shapes = tuple(
        "line" if new else known for known, new in zip(fitted.shapes, which, strict=True)
    )
    return fit(fitted.grid, psd, start, fitted.weight, shapes)


def _from_two_starts(null: Fit, psd: Array, start: Array, shapes: tuple[Shape, ...]) -> Fit:
    """The better fit of one from `start` and one whose background starts from what peaks leave.

    A background fitted to peaks far above it is bent and can stay so, a local maximum that the
    next peak then seems to mend (two resonances on a low floor: a false third one in 21 % of
    simulated records with one start, in 8 % with two).
    """
    first = fit(null.grid, psd, start, null.weight, shapes)
    gain: Array | float = 1.0
    if "mode" in shapes:
        fine = layers(null.grid, first.parameters, shapes).gain
        gain = fine[4 * OVERSAMPLING : -4 * OVERSAMPLING : OVERSAMPLING]
    behind = first.spectrum - first.gradient[0]  # all but the background, its slope with itself
    left = np.maximum(psd - behind, LEAST_LEFT * psd) / gain
    again = np.append(background_start(null.grid, left), first.parameters[BACKGROUND_TERMS:])
    second = fit(null.grid, psd, again, null.weight, shapes)
    return max(first, second, key=lambda one: one.log_likelihood)


def _start(null: Fit, psd: Array, candidate: tuple[float, float]) -> Array:
    """Height that makes up for the excess over the null fit, at the best candidate."""
    natural, width = candidate
    step_hz = null.grid.step_hz
    shape = windowed_slopes(null.grid.bins, natural / step_hz, width / step_hz)[0]
    near = shape > 0.3 * shape.max()
    excess = float(np.mean((psd - null.spectrum)[near]) / np.mean(shape[near]))
    floor = 0.05 * float(np.mean(null.spectrum[near]))
    return np.asarray(np.log([max(excess, floor), natural, width]))


def _line_variance(fitted: Fit, psd: Array, index: int) -> float:
    """A line's variance: summed over its lobe where it rules there, else as fitted.

    The likelihood takes a line's bins for random and lets its far skirts outvote them; a line's
    power is not random, and the sum of its bins is exact (Harris 1978: shares sum to 1).
    """
    log_variance, log_natural, _ = fitted.peak(index)
    step_hz = fitted.grid.step_hz
    variance = float(np.exp(log_variance))
    offset = (fitted.grid.frequency_hz - np.exp(log_natural)) / step_hz
    lobe = np.abs(offset) <= LOBE_BINS
    share = line_shape(offset[lobe])
    others = fitted.spectrum[lobe] - variance * share / step_hz
    if others.sum() > (1 - TOWERING_SHARE) * fitted.spectrum[lobe].sum():
        return variance
    return float((psd[lobe] - others).sum() * step_hz / share.sum())


def _peak(fitted: Fit, psd: Array, index: int, p_value: float, scale: float) -> Peak:
    _, log_natural, log_width = fitted.peak(index)
    covariance = fitted.peak_covariance(index)
    frequency = _log_interval(float(np.exp(log_natural)), covariance[1, 1])
    if fitted.shapes[index] == "line":
        variance = scale * _line_variance(fitted, psd, index)
        rms = _log_interval(float(np.sqrt(max(variance, 0.0))), covariance[0, 0] / 4)
        # the window sets its width: known only from above
        width = Interval(0.0, 0.0, LINE_WIDTH_BINS * fitted.grid.step_hz)
        return Peak(frequency, width, rms, p_value, "line")
    variance, relative = _energy(fitted, index)
    return Peak(
        frequency,
        _log_interval(float(np.exp(log_width)), covariance[2, 2]),
        _log_interval(float(np.sqrt(scale * variance)), relative / 4),
        p_value,
        "broad",
    )


def _energy(fitted: Fit, index: int) -> tuple[float, float]:
    """Variance of a resonance or a mode as seen, and the variance of its logarithm."""

    if "mode" not in fitted.shapes:  # A π B / 2
        own = fitted.peak_covariance(index)
        relative = float(own[0, 0] + 2 * own[0, 2] + own[2, 2])
        return seen_variance(fitted.parameters, fitted.grid, fitted.shapes, index), relative

    def log_energy(parameters: Array) -> float:
        return float(np.log(seen_variance(parameters, fitted.grid, fitted.shapes, index)))

    steps = NUDGE * np.eye(len(fitted.parameters))
    slope = np.array(
        [
            (log_energy(fitted.parameters + step) - log_energy(fitted.parameters - step))
            / (2 * NUDGE)
            for step in steps
        ]
    )
    return float(np.exp(log_energy(fitted.parameters))), float(slope @ fitted.covariance @ slope)


def _log_interval(value: float, variance: float) -> Interval:
    half = NORMAL_HALF_WIDTH * float(np.sqrt(max(variance, 0.0)))
    half = min(half, LARGEST_LOG)
    return Interval(value, value * float(np.exp(-half)), value * float(np.exp(half)))
