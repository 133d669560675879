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
LARGEST_STEP = 0.5  # in log units, so that a first step cannot leave the data


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
    parameters = start.copy()
    spectrum, gradient = evaluate(grid, parameters, shapes)
    best = _log_likelihood(psd, spectrum, weight)
    damping = 1e-3
    for _ in range(MOST_STEPS):
        relative = gradient / spectrum
        slope = relative @ (psd / spectrum - 1)
        information = relative @ relative.T
        information += damping * np.diag(np.diag(information)) + 1e-12 * np.eye(len(slope))
        trial = _next(grid, parameters, shapes, slope, information)
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
    return Fit(grid, parameters, shapes, spectrum, gradient, best, weight)


def _next(
    grid: Grid, parameters: Array, shapes: tuple[Shape, ...], slope: Array, information: Array
) -> Array:
    """Where the scoring step leads; parameters that it would push beyond a limit stay there.

    The others' step is then taken as if those were known: with the whole step cut off instead,
    bandwidths at their limit, as every line has, made fits crawl (81 steps for 12).
    """
    free = np.ones(len(slope), bool)
    for _ in range(2):
        step = np.zeros_like(slope)
        step[free] = np.linalg.solve(information[np.ix_(free, free)], slope[free])
        trial = _inside(grid, parameters + np.clip(step, -LARGEST_STEP, LARGEST_STEP), shapes)
        held = free & (trial == parameters) & (step != 0)
        if not held.any() or held.all():
            break
        free &= ~held
    return trial


def _log_likelihood(psd: Array, spectrum: Array, weight: float) -> float:
    return float(-weight * np.sum(np.log(spectrum) + psd / spectrum))


def _inside(grid: Grid, parameters: Array, shapes: tuple[Shape, ...]) -> Array:
    """Keep natural frequencies in the band and bandwidths between a line and a background."""
    bounded = parameters.copy()
    peaks = bounded[BACKGROUND_TERMS:].reshape(-1, 3)
    low, high = np.log(grid.frequency_hz[[0, -1]])
    peaks[:, 1] = np.clip(peaks[:, 1], low, high)
    narrowest = np.log(NARROWEST_BINS * grid.step_hz)
    lowest_q = np.array([LOWEST_MODE_Q if shape == "mode" else LOWEST_Q for shape in shapes])
    peaks[:, 2] = np.clip(peaks[:, 2], narrowest, peaks[:, 1] - np.log(lowest_q))
    peaks[:, 0] = np.maximum(peaks[:, 0], -600.0)
    return bounded


def background_start(grid: Grid, psd: Array) -> Array:
    """Background coefficients from a least-squares fit to the logarithm."""
    floor = np.maximum(psd, psd.max() * 1e-14)
    return np.asarray(grid.least_squares @ np.log(floor))
