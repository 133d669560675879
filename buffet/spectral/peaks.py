"""Spectral peaks that chance does not explain, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from buffet.interval import LEVEL, Interval
from buffet.spectral.uncertainty import LARGEST_LOG
from buffet.spectral.whittle import (
    BACKGROUND_TERMS,
    NARROWEST_BINS,
    Fit,
    Grid,
    background_start,
    evaluate,
    fit,
    resonance,
    resonance_variance,
)
from buffet.spectral.window import HANN_BIN_INFORMATION, line_shape

if TYPE_CHECKING:
    from scipy.sparse import coo_array, csr_array

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
# Bins on either side of a narrow template's frequency; beyond lies less than 1 % of its energy.
NEAR_BINS = 24
# Narrower than this the window, not the flow, sets the width.
LINE_WIDTH_BINS = 0.6
# Of a bin, where peaks explain more than all of it: the logarithm of the rest is to be taken.
LEAST_LEFT = 0.02
# Scores in units of √(2 / segments), about two standard deviations of a bin, beyond which no
# simulated maximum was ever seen (they stay below 8): the simulation is spared.
BEYOND_DOUBT = 15.0
# A peak of which the fitted model already holds all but this share of energy is no other peak.
LEAST_DISTINCT = 0.0025
# Bins on either side that a pure line reaches above 1 % of its power.
LOBE_BINS = 2
# A peak within so few bins with so much of the variance can bend a background beyond use.
TOWERING_SHARE = 0.8
# Of a channel's variance; a peak with less (0.3 % of the RMS) concerns nobody.
NEGLIGIBLE_SHARE = 1e-5
# Upper limit of a peak's frequency over the frequency: an octave away is anywhere.
UNPLACED = 2.0
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
    towering = _towering(current, level)
    if towering is not None:
        current, p_value = towering
        p_values.append(p_value)
    while current.n_peaks < MOST_PEAKS:
        p_value, candidate = _strongest(current, level, effective_segments)
        if p_value >= SIGNIFICANCE:
            break
        current = _with_peak(current, level, candidate)
        p_values.append(p_value)
    peaks = [_peak(current, level, i, p, scale) for i, p in enumerate(p_values)]
    least = np.sqrt(NEGLIGIBLE_SHARE * float(np.sum(psd)) * grid.step_hz)
    heard = [peak for peak in peaks if peak.rms.value > least and _has_a_place(peak)]
    return tuple(sorted(heard, key=lambda peak: -peak.rms.value))


def _has_a_place(peak: Peak) -> bool:
    """Whether its frequency is known; else it only mends the background (a sharp edge, say)."""
    high = peak.frequency_hz.high
    return high is not None and high < UNPLACED * peak.frequency_hz.value


def _towering(null: Fit, psd: Array) -> tuple[Fit, float] | None:
    """The fit with one line that holds nearly all the variance, and its p-value; or None.

    Orders of magnitude above the rest, such a line (the periodic wake of a smooth body, a
    computed one above all) is taken for background by a fit without it, and scores from that
    fit do not show it. So it is fitted from a start of its own and judged by the likelihood
    ratio (Wilks 1938, three more parameters), times the number of bins it could have been in.
    """
    from scipy.special import chdtrc

    grid, top = null.grid, int(np.argmax(psd))
    lobe = psd[max(top - LOBE_BINS, 0) : top + LOBE_BINS + 1]
    if top in (0, len(psd) - 1) or lobe.sum() < TOWERING_SHARE * psd.sum():
        return None
    natural_hz = grid.frequency_hz[top] + _offset_bins(*psd[top - 1 : top + 2]) * grid.step_hz
    shape = line_shape((grid.frequency_hz - natural_hz) / grid.step_hz)
    variance = float(lobe.sum())  # in bins; the line's density is `variance * shape`
    rest = np.maximum(psd - variance * shape, LEAST_LEFT * psd)
    flat = np.zeros(BACKGROUND_TERMS)
    flat[0] = np.log(np.median(rest))
    line = np.log([variance * grid.step_hz, natural_hz, LINE_WIDTH_BINS * grid.step_hz])
    resonance_height = line - [np.log(np.pi / 2) + line[2], 0.0, 0.0]  # A π B / 2 is the variance
    fits = [
        fit(grid, psd, np.append(background, peak), null.weight, (is_line,))
        for background in (flat, background_start(grid, rest))
        for is_line, peak in ((True, line), (False, resonance_height))
    ]
    best = max(fits, key=lambda fitted: fitted.log_likelihood)
    gain = 2 * (best.log_likelihood - null.log_likelihood)
    p_value = len(psd) * float(chdtrc(3, max(gain, 0.0)))
    return (best, max(p_value, 1 / (SIMULATIONS + 1))) if p_value < SIGNIFICANCE else None


def _offset_bins(left: float, top: float, right: float) -> float:
    """Where a line lies between its highest bin and the higher neighbour.

    Amplitudes under a Hann window at both are as (2 - δ) to (1 + δ), from its transform.
    """
    ratio = float(np.sqrt(max(left, right) / top))
    return (2 * ratio - 1) / (ratio + 1) * (1 if right > left else -1)


def _with_peak(null: Fit, psd: Array, candidate: tuple[float, float]) -> Fit:
    """Refit with one more peak; resonances that shrink to lines are fitted as lines."""
    start = np.append(null.parameters, _start(null, psd, candidate))
    grown = _from_two_starts(null, psd, start, (*null.lines, False))
    step_hz = null.grid.step_hz
    widths_hz = np.exp(grown.parameters[BACKGROUND_TERMS:].reshape(-1, 3)[:, 2])
    resonances = ~np.array(grown.lines)
    at_bound = resonances & (widths_hz < 1.05 * NARROWEST_BINS * step_hz)
    narrow = resonances & (widths_hz < LINE_WIDTH_BINS * step_hz)
    if not narrow.any():
        return grown
    line = _as_lines(grown, psd, narrow)
    if line.log_likelihood > grown.log_likelihood or not at_bound.any():
        return max(line, grown, key=lambda fitted: fitted.log_likelihood)
    return _as_lines(grown, psd, at_bound)


def _as_lines(fitted: Fit, psd: Array, which: NDArray[np.bool_]) -> Fit:
    """Refit with some of the resonances as pure lines of the same variance."""
    start = fitted.parameters.copy()
    peaks = start[BACKGROUND_TERMS:].reshape(-1, 3)
    peaks[which, 0] += np.log(np.pi / 2) + peaks[which, 2]  # A π B / 2
    lines = tuple(bool(known or new) for known, new in zip(fitted.lines, which, strict=True))
    return fit(fitted.grid, psd, start, fitted.weight, lines)


def _from_two_starts(null: Fit, psd: Array, start: Array, lines: tuple[bool, ...]) -> Fit:
    """The better fit of one from `start` and one whose background starts from what peaks leave.

    A background fitted to peaks far above it is bent and can stay so, a local maximum that the
    next peak then seems to mend (two resonances on a low floor: a false third one in 21 % of
    simulated records with one start, in 8 % with two).
    """
    first = fit(null.grid, psd, start, null.weight, lines)
    peaks = first.parameters[BACKGROUND_TERMS:]
    background, _ = evaluate(null.grid, first.parameters[:BACKGROUND_TERMS], ())
    left = np.maximum(psd - (first.spectrum - background), LEAST_LEFT * psd)
    again = np.append(background_start(null.grid, left), peaks)
    second = fit(null.grid, psd, again, null.weight, lines)
    return max(first, second, key=lambda one: one.log_likelihood)


@dataclass(frozen=True)
class _Templates:
    """Peaks of unit height to look for, as the window shows them at the bins.

    Narrow ones are kept near their frequency alone, so that memory grows with the bins and not
    with their square.
    """

    natural_hz: Array  # (n_templates,)
    bandwidth_hz: Array  # (n_templates,)
    narrow: csr_array  # (n_narrow, n_bins)
    broad: Array  # (n_templates - n_narrow, n_bins)

    def __matmul__(self, columns: Array) -> Array:
        """Sums over the bins, ``(n_templates, n)``, of columns ``(n_bins, n)``."""
        return np.concatenate([self.narrow @ columns, self.broad @ columns])

    @property
    def squared(self) -> _Templates:
        """Templates with every value squared."""
        return replace(self, narrow=self.narrow.power(2), broad=self.broad**2)


@lru_cache(maxsize=4)
def _templates(low_hz: float, step_hz: float, n_bins: int) -> _Templates:
    """Natural frequencies and bandwidths to scan, spaced by a fraction of the bandwidth."""
    from scipy.sparse import csr_array

    frequency_hz = np.asarray(low_hz + step_hz * np.arange(n_bins), float)
    high_hz = float(frequency_hz[-1])
    narrow: list[tuple[float, float]] = []
    for bins in NARROW_WIDTHS_BINS:
        width = bins * step_hz
        spacing = max(width, step_hz) / 2
        narrow += [(f, width) for f in np.arange(low_hz, high_hz, spacing) if width < f]
    broad: list[tuple[float, float]] = []
    for quality in QUALITY_FACTORS:
        n = max(2, int(np.log(high_hz / low_hz) * quality * 3))
        naturals = np.geomspace(low_hz, high_hz, n)
        broad += [(f, f / quality) for f in naturals if f / quality > 2 * step_hz]
    natural, width_hz = np.array(narrow + broad).T
    return _Templates(
        natural,
        width_hz,
        csr_array(_near_templates(narrow, low_hz, step_hz, n_bins)),
        _whole_templates(broad, Grid(frequency_hz, step_hz)),
    )


def _near_templates(
    pairs: list[tuple[float, float]], low_hz: float, step_hz: float, n_bins: int
) -> coo_array:
    """Narrow peaks, cut off NEAR_BINS from their frequency."""
    from scipy.sparse import coo_array

    rows, columns, values = [], [], []
    for row, (natural, width) in enumerate(pairs):
        middle = round((natural - low_hz) / step_hz)
        bins = np.arange(max(0, middle - NEAR_BINS), min(n_bins, middle + NEAR_BINS + 1))
        near = Grid(np.asarray(low_hz + step_hz * bins, float), step_hz)
        values.append(near.smooth(resonance(near.fine_hz, 1.0, natural, width)[None])[0])
        columns.append(bins)
        rows.append(np.full(len(bins), row))
    parts = [np.concatenate(part) for part in (values, rows, columns)]
    return coo_array((parts[0], (parts[1], parts[2])), shape=(len(pairs), n_bins))


def _whole_templates(pairs: list[tuple[float, float]], grid: Grid) -> Array:
    shapes = [grid.smooth(resonance(grid.fine_hz, 1.0, f, b)[None])[0] for f, b in pairs]
    return np.array(shapes).reshape(len(pairs), len(grid.frequency_hz))


def _strongest(
    null: Fit, psd: Array, effective_segments: float
) -> tuple[float, tuple[float, float]]:
    """p-value of the largest score over all templates, and that peak's f0 and B.

    Efficient score of a peak of vanishing height (Rao 1948), the directions of the fitted
    parameters projected out, against the same maximum over spectra drawn from the null fit.
    """
    grid = null.grid
    wanted = _templates(float(grid.frequency_hz[0]), grid.step_hz, len(psd))
    directions = null.gradient / null.spectrum  # (n_parameters, n_bins)
    inverse = np.linalg.pinv(directions @ directions.T)

    def project(rows: Array) -> Array:
        """Rows less what the null model could take up itself, over the null spectrum."""
        return (rows - (rows @ directions.T) @ inverse @ directions) / null.spectrum

    along = wanted @ (directions / null.spectrum).T
    raw = (wanted.squared @ (1 / null.spectrum**2)[:, None])[:, 0]
    left = raw - np.einsum("tp,pq,tq->t", along, inverse, along)
    distinct = left > LEAST_DISTINCT * raw
    norms = np.where(distinct, np.sqrt(np.maximum(left, 0)), np.inf)[:, None]
    scores = (wanted @ project((psd / null.spectrum - 1)[None]).T / norms)[:, 0]
    best = int(np.argmax(np.where(distinct, scores, -np.inf)))
    n_segments = round(effective_segments, 2)
    p_value = 1 / (SIMULATIONS + 1)
    if scores[best] < BEYOND_DOUBT * np.sqrt(2 / n_segments):
        drawn = project(null_ratios(len(psd), n_segments) - 1)
        largest = np.where(distinct[:, None], wanted @ drawn.T / norms, -np.inf).max(axis=0)
        p_value = (1 + int(np.sum(largest >= scores[best]))) / (SIMULATIONS + 1)
    return p_value, (float(wanted.natural_hz[best]), float(wanted.bandwidth_hz[best]))


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
    ratios = np.asarray(1 + (ratios - 1) * shrink)
    ratios.setflags(write=False)
    return ratios


def _start(null: Fit, psd: Array, candidate: tuple[float, float]) -> Array:
    """Height that makes up for the excess over the null fit, at the best candidate."""
    natural, width = candidate
    shape = null.grid.smooth(resonance(null.grid.fine_hz, 1.0, natural, width)[None])[0]
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
    log_height, log_natural, log_width = fitted.peak(index)
    covariance = fitted.peak_covariance(index)
    frequency = _log_interval(float(np.exp(log_natural)), covariance[1, 1])
    if fitted.lines[index]:
        variance = scale * _line_variance(fitted, psd, index)
        rms = _log_interval(float(np.sqrt(max(variance, 0.0))), covariance[0, 0] / 4)
        # the window sets its width: known only from above
        width = Interval(0.0, 0.0, LINE_WIDTH_BINS * fitted.grid.step_hz)
        return Peak(frequency, width, rms, p_value, "line")
    variance = scale * resonance_variance(float(np.exp(log_height)), float(np.exp(log_width)))
    # variance ∝ A · B, so its logarithm is the sum of theirs
    energy = covariance[0, 0] + covariance[2, 2] + 2 * covariance[0, 2]
    return Peak(
        frequency,
        _log_interval(float(np.exp(log_width)), covariance[2, 2]),
        _log_interval(float(np.sqrt(variance)), energy / 4),
        p_value,
        "broad",
    )


def _log_interval(value: float, variance: float) -> Interval:
    from scipy.special import ndtri

    half = float(ndtri(0.5 + LEVEL / 2) * np.sqrt(max(variance, 0.0)))
    half = min(half, LARGEST_LOG)
    return Interval(value, value * float(np.exp(-half)), value * float(np.exp(half)))
