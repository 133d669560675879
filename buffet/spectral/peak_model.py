"""What a spectrum is fitted with: a background, resonances, lines, and modes they are seen through.

Each as the Hann window shows it at the bins, with its slopes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.window import line_shape, spectral_kernel
from buffet.spectral.windowed import neighbours, windowed_slopes

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
# Bins at the ends of the band where a background is smoothed from the fine grid: further up its
# neighbours' weights serve even f^-4 to 1e-4.
LOW_END_BINS, HIGH_END_BINS = 12, 4


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
    def bins(self) -> Array:
        """Frequencies in bins, ``(n_bins,)``."""
        return self.frequency_hz / self.step_hz

    @cached_property
    def background_basis(self) -> Array:
        """Chebyshev polynomials in log frequency on the fine grid, ``(terms, n_fine)``."""
        return self._basis(self.fine_hz)

    @cached_property
    def basis_at_bins(self) -> Array:
        """The same at the bins, ``(terms, n_bins)``."""
        return self._basis(self.frequency_hz)

    @cached_property
    def least_squares(self) -> Array:
        """What makes background coefficients of the logarithms at the bins, ``(terms, n_bins)``."""
        return np.asarray(np.linalg.pinv(self.basis_at_bins).T)

    def background(self, coefficients: Array) -> Array:
        """The smoothed background and its slopes, ``(terms, n_bins)``; row 0 is itself.

        At the ends as `smooth` does, elsewhere from the bins alone: a background has no detail
        finer than a few bins but where it begins and where the basis ends.
        """
        n, low = len(self.frequency_hz), (LOW_END_BINS + 8 - 1) * OVERSAMPLING + 1
        rows = np.exp(coefficients @ self._few) * self._few
        at_low, at_high = rows[:, n + 2 : n + 2 + low], rows[:, n + 2 + low :]
        smooth = neighbours(rows[:, : n + 2])
        smooth[:, :LOW_END_BINS] = at_low @ _kernels(LOW_END_BINS)
        smooth[:, n - HIGH_END_BINS :] = at_high @ _kernels(HIGH_END_BINS)
        return smooth

    @cached_property
    def _few(self) -> Array:
        """The basis at the bins and one beyond either end, then on the fine grid at the ends."""
        first, last = self.frequency_hz[[0, -1]] + self.step_hz * np.array([-1.0, 1.0])
        low, high = ((bins + 8 - 1) * OVERSAMPLING + 1 for bins in (LOW_END_BINS, HIGH_END_BINS))
        floor = self.step_hz / OVERSAMPLING
        edges = np.maximum(np.abs(np.r_[first, self.frequency_hz, last]), floor)
        return self._basis(np.r_[edges, self.fine_hz[:low], self.fine_hz[-high:]])

    def _basis(self, frequency_hz: Array) -> Array:
        low, high = np.log(self.frequency_hz[[0, -1]])
        position = (2 * np.log(frequency_hz) - low - high) / (high - low)
        position = np.clip(position, -1.0, 1.0)
        return np.polynomial.chebyshev.chebvander(position, BACKGROUND_TERMS - 1).T


@lru_cache(maxsize=4)
def _kernels(n_bins: int) -> Array:
    """The window's kernel at each of a few bins, ``(n_fine, n_bins)``."""
    kernel = spectral_kernel(OVERSAMPLING)
    rows = np.zeros(((n_bins - 1) * OVERSAMPLING + len(kernel), n_bins))
    for i in range(n_bins):
        rows[i * OVERSAMPLING : i * OVERSAMPLING + len(kernel), i] = kernel
    rows.setflags(write=False)
    return rows


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
    if "mode" in shapes:
        return _seen_through_modes(grid, parameters, shapes)
    peaks = np.exp(parameters[BACKGROUND_TERMS:].reshape(-1, 3))
    gradient = np.empty((len(parameters), len(grid.frequency_hz)))
    gradient[:BACKGROUND_TERMS] = grid.background(parameters[:BACKGROUND_TERMS])
    total = gradient[0].copy()
    for i, (shape, (height, natural, width)) in enumerate(zip(shapes, peaks.tolist(), strict=True)):
        rows = gradient[BACKGROUND_TERMS + 3 * i :][:3]
        if shape == "line":
            rows[:] = _line(grid, height, natural)
        else:
            rows[:] = windowed_slopes(grid.bins, natural / grid.step_hz, width / grid.step_hz)
            rows *= height
        total += rows[0]
    return np.maximum(total, 1e-300), gradient


def _seen_through_modes(
    grid: Grid, parameters: Array, shapes: tuple[Shape, ...]
) -> tuple[Array, Array]:
    """The same on the fine grid, since a mode multiplies what the window then smooths."""
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
