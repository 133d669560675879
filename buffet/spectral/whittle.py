"""Broadband background, resonant peaks and what they are seen through, by Whittle likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.peak_model import (
    BACKGROUND_TERMS,
    LOWEST_MODE_Q,
    LOWEST_Q,
    NARROWEST_BINS,
    Grid,
    Shape,
    evaluate,
)
from buffet.spectral.window import HANN_DEVIANCE_CORRELATION

Array = NDArray[np.float64]

MOST_STEPS = 80
# Log-likelihood that no decision depends on: a parameter off by a thirtieth of its error.
NEGLIGIBLE_GAIN = 5e-4
# So that a first step cannot leave the data, in log units: of a peak's height and bandwidth (of
# its frequency, in bandwidths or bins: a line must not wander off while the rest still moves), and
# of the background at any bin.
LARGEST_STEP = 0.5
LARGEST_RISE = 4.0
# Log-likelihood that a step must promise for each log unit of what it changes.
DRIFT_COST = 0.2


@dataclass(frozen=True)
class Fit:
    """A fitted model; parameters are background coefficients, then log A, log f0, log B a peak.

    A pure line has no bandwidth: its A is a variance and its log B is not used. A mode's A is
    the floor behind it.
    """

    grid: Grid
    parameters: Array
    shapes: tuple[Shape, ...]  # one a peak
    spectrum: Array  # (n_bins,) fitted, as the window shows it
    gradient: Array  # (n_parameters, n_bins) of `spectrum`
    log_likelihood: float
    weight: float

    @property
    def n_peaks(self) -> int:
        """Resonances, lines and modes in the model."""
        return len(self.shapes)

    @cached_property
    def covariance(self) -> Array:
        """Of the parameters, from the expected information."""
        relative = self.gradient / self.spectrum
        return np.asarray(np.linalg.pinv(self.weight * relative @ relative.T), float)

    def peak(self, index: int) -> Array:
        """log A, log f0, log B of one peak."""
        return np.asarray(self.parameters[BACKGROUND_TERMS:].reshape(-1, 3)[index])

    def peak_covariance(self, index: int) -> Array:
        """Covariance of `peak`."""
        start = BACKGROUND_TERMS + 3 * index
        return self.covariance[start : start + 3, start : start + 3]

    def share(self, index: int) -> Array:
        """What one peak makes of the spectrum, over the spectrum, ``(n_bins,)``.

        Of a mode: what it and its floor add to the rest, below 0 where it holds the rest down.
        """
        start = BACKGROUND_TERMS + 3 * index
        if self.shapes[index] != "mode":  # its slope with log A is the peak itself
            return np.asarray(self.gradient[start] / self.spectrum)
        others = np.delete(self.parameters, start + np.arange(3))
        rest, _ = evaluate(self.grid, others, self.shapes[:index] + self.shapes[index + 1 :])
        return np.asarray(1 - rest / self.spectrum)


def relative_deviance(fitted: Fit, psd: Array, effective_segments: float) -> tuple[float, float]:
    """Mean deviance over that of a right model, and the standard deviation of it about 1.

    A bin over its mean, r, is a gamma variable of shape K and mean 1: r - 1 - log r has the mean
    log K - ψ(K) and the variance ψ'(K) - 1/K. Fitted parameters take up their share
    (McCullagh & Nelder 1989, Generalized Linear Models, section 9.2).
    """
    from scipy.special import polygamma, psi

    shape = max(effective_segments, 1.0)
    ratio = psd / fitted.spectrum
    expected = np.log(shape) - psi(shape)
    informative = len(psd) * fitted.weight / effective_segments
    left = max(1 - len(fitted.parameters) / informative, 1 / informative)
    deviance = float(np.mean(ratio - 1 - np.log(ratio)) / expected / left)
    variance = HANN_DEVIANCE_CORRELATION * (polygamma(1, shape) - 1 / shape) / len(psd)
    return deviance, float(np.sqrt(variance) / expected)


def fit(grid: Grid, psd: Array, start: Array, weight: float, shapes: tuple[Shape, ...] = ()) -> Fit:
    """Maximise the Whittle likelihood from a start, by damped scoring.

    The likelihood of an averaged periodogram I with mean S is -Σ w (log S + I / S) (Whittle
    1953; with the window's kernel applied to the model, Sykulski et al. 2019, Biometrika 106,
    251-266). `weight` w counts independent segments and correlated bins.
    """
    limits = _limits(grid, shapes)
    drift = _drift(grid, len(start))
    parameters = start.copy()
    spectrum, gradient = evaluate(grid, parameters, shapes)
    best = _log_likelihood(psd, spectrum, weight)
    slope, information = _scores(psd, spectrum, gradient, weight)
    damping = 1e-3
    for _ in range(MOST_STEPS):
        system = information + drift
        system += damping * np.diag(system.diagonal())
        trial, promised = _next(grid, limits, parameters, slope, system)
        if promised < NEGLIGIBLE_GAIN:
            break
        trial_spectrum, trial_gradient = evaluate(grid, trial, shapes)
        value = _log_likelihood(psd, trial_spectrum, weight)
        if value <= best:
            damping *= 10
            if damping > 1e6:
                break
            continue
        gain, best = value - best, value
        parameters, spectrum, gradient = trial, trial_spectrum, trial_gradient
        damping = max(damping / 10, 1e-9)
        if gain < NEGLIGIBLE_GAIN:
            break
        slope, information = _scores(psd, spectrum, gradient, weight)
    return Fit(grid, parameters, shapes, spectrum, gradient, best, weight)


def _scores(psd: Array, spectrum: Array, gradient: Array, weight: float) -> tuple[Array, Array]:
    """Slope of the log-likelihood with the parameters, and their expected information."""
    relative = gradient / spectrum
    return weight * (relative @ (psd / spectrum - 1)), weight * (relative @ relative.T)


def _drift(grid: Grid, n_parameters: int) -> Array:
    """What keeps a step from running off where the likelihood is flat, added to the information.

    A background far below a peak is not seen: its coefficients then rise without end, for less
    and less likelihood (80 steps for 12). The step, not the fit, is charged for the mean square of
    what it changes, in logarithms.
    """
    metric = np.eye(n_parameters)
    basis = grid.basis_at_bins
    metric[:BACKGROUND_TERMS, :BACKGROUND_TERMS] = basis @ basis.T / basis.shape[1]
    return DRIFT_COST * metric


def _next(
    grid: Grid, limits: _Limits, parameters: Array, slope: Array, system: Array
) -> tuple[Array, float]:
    """Where the scoring step leads, and the log-likelihood that it promises.

    Parameters that it would push beyond a limit stay there, and the others' step is taken as if
    those were known: with the whole step cut off instead, bandwidths at their limit, as every line
    has, made fits crawl (81 steps for 12).
    """
    step = np.asarray(np.linalg.solve(system, slope), float)
    promised = float(step @ slope) / 2
    trial = limits.inside(parameters + _shortened(grid, parameters, step))
    held = (trial == parameters) & (step != 0)
    if held.any() and not held.all():
        free = ~held
        step = np.zeros_like(slope)
        step[free] = np.linalg.solve(system[np.ix_(free, free)], slope[free])
        promised = float(step @ slope) / 2
        trial = limits.inside(parameters + _shortened(grid, parameters, step))
    return trial, promised


def _shortened(grid: Grid, parameters: Array, step: Array) -> Array:
    """The step, the background's and each peak's in proportion, no longer than leads astray."""
    background, peaks = step[:BACKGROUND_TERMS], step[BACKGROUND_TERMS:].reshape(-1, 3)
    rise = float(np.abs(background @ grid.basis_at_bins).max())
    _, natural, width = parameters[BACKGROUND_TERMS:].reshape(-1, 3).T
    widths = np.maximum(np.exp(width), grid.step_hz) / np.exp(natural)  # over the frequency
    reach = np.abs(peaks) / LARGEST_STEP
    reach[:, 1] /= np.minimum(widths, 1.0)
    shortened = peaks / np.maximum(reach.max(axis=1, initial=1.0), 1.0)[:, None]
    return np.concatenate([background / max(1.0, rise / LARGEST_RISE), shortened.ravel()])


def _log_likelihood(psd: Array, spectrum: Array, weight: float) -> float:
    return float(-weight * np.sum(np.log(spectrum) + psd / spectrum))


@dataclass(frozen=True)
class _Limits:
    """Natural frequencies in the band, bandwidths between a line and a background."""

    log_low: float
    log_high: float
    log_narrowest: float
    log_quality: Array  # (n_peaks,)

    def inside(self, parameters: Array) -> Array:
        """The parameters within them."""
        bounded = parameters.copy()
        height, natural, width = bounded[BACKGROUND_TERMS:].reshape(-1, 3).T
        np.maximum(height, -600.0, out=height)
        np.minimum(np.maximum(natural, self.log_low), self.log_high, out=natural)
        widest = natural - self.log_quality
        np.minimum(np.maximum(width, self.log_narrowest), widest, out=width)
        return bounded


def _limits(grid: Grid, shapes: tuple[Shape, ...]) -> _Limits:
    lowest_q = [LOWEST_MODE_Q if shape == "mode" else LOWEST_Q for shape in shapes]
    return _Limits(
        float(np.log(grid.frequency_hz[0])),
        float(np.log(grid.frequency_hz[-1])),
        float(np.log(NARROWEST_BINS * grid.step_hz)),
        np.log(np.array(lowest_q)),
    )


def background_start(grid: Grid, psd: Array) -> Array:
    """Background coefficients from a least-squares fit to the logarithm."""
    floor = np.maximum(psd, psd.max() * 1e-14)
    return np.asarray(grid.least_squares @ np.log(floor))
