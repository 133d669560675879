"""Broadband background, resonant peaks and what they are seen through, by Whittle likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.window import HANN_DEVIANCE_CORRELATION, line_shape, spectral_kernel

Array = NDArray[np.float64]
# A resonance and a pure line add to the background; a mode, such as a balance's own, multiplies
# it and every resonance, and has a floor of its own: the noise behind it.
Shape = Literal["resonance", "line", "mode"]

# Points per bin on which a peak is evaluated before the window's kernel is applied; with the
# narrowest peak a quarter of a bin wide the sum over the points is exact to 0.2 %.
OVERSAMPLING = 8
NARROWEST_BINS = 0.25
# A resonance wider than its own frequency is background.
LOWEST_Q = 1.0
# Of a mode: critical damping, below which it would be two roll-offs.
LOWEST_MODE_Q = 0.5
# Quintic in log frequency: follows wakes that fall off and noise floors, not a resonance.
BACKGROUND_TERMS = 6
MOST_STEPS = 80
# Log-likelihood that no decision depends on: a parameter off by a thirtieth of its error.
NEGLIGIBLE_GAIN = 5e-4
LARGEST_STEP = 0.5  # in log units, so that a first step cannot leave the data


@dataclass(frozen=True)
class Grid:
    """Bins of the fit and the finer grid on which the model lives."""

    frequency_hz: Array  # (n_bins,), evenly spaced
    step_hz: float

    @cached_property
    def fine_hz(self) -> Array:
        """Fine grid, reaching four bins beyond both ends, mirrored at zero."""
        n = (len(self.frequency_hz) + 8 - 1) * OVERSAMPLING + 1
        start = self.frequency_hz[0] - 4 * self.step_hz
        fine = start + np.arange(n) * self.step_hz / OVERSAMPLING
        return np.asarray(np.maximum(np.abs(fine), self.step_hz / OVERSAMPLING))

    def smooth(self, fine: Array) -> Array:
        """What the Hann window makes of densities ``(n, n_fine)``, at the bins ``(n, n_bins)``."""
        n_bins = len(self.frequency_hz)
        kernel = spectral_kernel(OVERSAMPLING)
        per_bin = kernel[:-1].reshape(-1, OVERSAMPLING)  # the kernel cut into bins
        by_bin = fine[:, :-1].reshape(len(fine), -1, OVERSAMPLING) @ per_bin.T
        smooth = kernel[-1] * fine[:, len(kernel) - 1 :: OVERSAMPLING]
        for offset in range(len(per_bin)):
            smooth += by_bin[:, offset : offset + n_bins, offset]
        return np.asarray(smooth)

    @cached_property
    def background_basis(self) -> Array:
        """Chebyshev polynomials in log frequency on the fine grid, ``(terms, n_fine)``."""
        low, high = np.log(self.frequency_hz[[0, -1]])
        position = (2 * np.log(self.fine_hz) - low - high) / (high - low)
        return np.polynomial.chebyshev.chebvander(
            np.clip(position, -1.0, 1.0), BACKGROUND_TERMS - 1
        ).T


def resonance(frequency_hz: Array, height: float, natural_hz: float, bandwidth_hz: float) -> Array:
    """Second-order resonance A f0² B² / ((f² - f0²)² + f² B²), unit of `height`."""
    f2 = frequency_hz**2
    top = height * natural_hz**2 * bandwidth_hz**2
    return np.asarray(top / ((f2 - natural_hz**2) ** 2 + f2 * bandwidth_hz**2))


def resonance_variance(height: float, bandwidth_hz: float) -> float:
    """Its integral over all frequencies, A π B / 2 (contour integral)."""
    return float(height * np.pi * bandwidth_hz / 2)


def mode_gain(frequency_hz: Array, natural_hz: float, bandwidth_hz: float) -> Array:
    """Response |H|² = f0⁴ / ((f² - f0²)² + f² B²) of one degree of freedom; 1 at rest."""
    return resonance(frequency_hz, (natural_hz / bandwidth_hz) ** 2, natural_hz, bandwidth_hz)


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


@dataclass(frozen=True)
class Layers:
    """What a model is made of, on the fine grid, before the window smooths it."""

    background: Array  # (n_fine,), before the modes
    resonances: dict[int, Array]  # by peak: (3, n_fine), each with its slopes, before the modes
    gain: Array  # (n_fine,), the modes' product
    floor: float  # density behind the modes


def layers(grid: Grid, parameters: Array, shapes: tuple[Shape, ...]) -> Layers:
    """The parts of a model."""
    peaks = np.exp(parameters[BACKGROUND_TERMS:].reshape(-1, 3))
    gain, floor = np.ones_like(grid.fine_hz), 0.0
    resonances = {}
    for i, (shape, peak) in enumerate(zip(shapes, peaks, strict=True)):
        if shape == "resonance":
            resonances[i] = _resonance(grid.fine_hz, *peak)
        elif shape == "mode":
            gain = gain * mode_gain(grid.fine_hz, peak[1], peak[2])
            floor += peak[0]
    background = np.exp(parameters[:BACKGROUND_TERMS] @ grid.background_basis)
    return Layers(background, resonances, gain, floor)


def evaluate(grid: Grid, parameters: Array, shapes: tuple[Shape, ...]) -> tuple[Array, Array]:
    """Model spectrum at the bins and its gradient, ``(n_bins,)`` and ``(n_parameters, n_bins)``."""
    parts = layers(grid, parameters, shapes)
    peaks = np.exp(parameters[BACKGROUND_TERMS:].reshape(-1, 3))
    driven = parts.background + sum(rows[0] for rows in parts.resonances.values())
    seen = parts.gain * driven
    stack = [seen[None] + parts.floor, parts.gain * parts.background * grid.background_basis]
    for i, (shape, peak) in enumerate(zip(shapes, peaks, strict=True)):
        if shape == "resonance":
            stack.append(parts.gain * parts.resonances[i])
        elif shape == "mode":
            stack.append(_mode_slopes(grid.fine_hz, seen, *peak))
    smooth = grid.smooth(np.vstack(stack))
    total, gradient = smooth[0], [smooth[1 : 1 + BACKGROUND_TERMS]]
    rest = iter(smooth[1 + BACKGROUND_TERMS :].reshape(-1, 3, len(total)))
    for shape, peak in zip(shapes, peaks, strict=True):
        rows = _line(grid, *peak[:2]) if shape == "line" else next(rest)
        if shape == "line":
            total = total + rows[0]
        gradient.append(rows)
    return np.maximum(total, 1e-300), np.vstack(gradient)


def _mode_slopes(fine_hz: Array, seen: Array, floor: float, natural: float, width: float) -> Array:
    """Slopes of a density seen through a mode with log floor, log f0 and log B."""
    off = fine_hz**2 - natural**2
    denominator = off**2 + fine_hz**2 * width**2
    with_natural = seen * (4 + 4 * natural**2 * off / denominator)
    with_width = seen * (-2 * fine_hz**2 * width**2 / denominator)
    return np.array([np.full_like(seen, floor), with_natural, with_width])


def seen_variance(parameters: Array, grid: Grid, shapes: tuple[Shape, ...], index: int) -> float:
    """Variance in a resonance as seen through the modes, or what resounds in a mode.

    That is the resonant part of a lightly damped mode's response to a broad force, π B / 2 times
    the density at its natural frequency (Davenport 1962; π f0 S / (4 ζ) with B = 2 ζ f0).
    """
    height, natural, width = np.exp(parameters[BACKGROUND_TERMS:].reshape(-1, 3)[index])
    if "mode" not in shapes:
        return resonance_variance(height, width)
    parts = layers(grid, parameters, shapes)
    above = slice(4 * OVERSAMPLING, None)  # where the fine grid rises

    def at_peak(fine: Array) -> float:
        return float(np.interp(natural, grid.fine_hz[above], fine[above]))

    if shapes[index] == "mode":
        driven = parts.background + sum(rows[0] for rows in parts.resonances.values())
        height = at_peak(driven * parts.gain / mode_gain(grid.fine_hz, natural, width))
        height *= (natural / width) ** 2
    else:
        height *= at_peak(parts.gain)
    return resonance_variance(height, width)


def _resonance(fine_hz: Array, height: float, natural: float, width: float) -> Array:
    """A resonance, which is its slope with log A, and its slopes with log f0 and log B."""
    f2 = fine_hz**2
    off = f2 - natural**2
    damped = f2 * width**2
    denominator = off**2 + damped
    peak = height * natural**2 * width**2 / denominator
    with_natural = peak * (2 + 4 * natural**2 * off / denominator)
    with_width = peak * (2 - 2 * damped / denominator)
    return np.array([peak, with_natural, with_width])


def _line(grid: Grid, variance: float, natural: float) -> Array:
    """A pure line and its slope with log f0; none with log B, ``(3, n_bins)``."""
    nudge = 1e-3 * grid.step_hz
    around = natural + nudge * np.array([[0.0], [1.0], [-1.0]])
    at, above, below = variance * line_shape((grid.frequency_hz - around) / grid.step_hz)
    slope = (above - below) * natural / (2 * nudge)
    return np.array([at, slope, np.zeros_like(slope)]) / grid.step_hz


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
    at_bins = grid.background_basis[:, 4 * OVERSAMPLING : -4 * OVERSAMPLING : OVERSAMPLING]
    floor = np.maximum(psd, psd.max() * 1e-14)
    return np.asarray(np.linalg.lstsq(at_bins.T, np.log(floor), rcond=None)[0])
