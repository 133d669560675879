"""What the Hann window makes of a resonance at the bins, in closed form.

The expected periodogram is the transform of the process's autocovariance times the window's own
(Sykulski et al. 2019, Biometrika 106, 251-266). The Hann window's is, over lags τ of its length,
(1 - τ)(2/3 + cos(2πτ)/3) + sin(2πτ)/(2π), a resonance's a decaying cosine, so that the transform
is a sum of powers of 1/s at the bin and at its neighbours on both sides.
"""

from __future__ import annotations

from cmath import exp
from math import sqrt
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
T = TypeVar("T", Array, Complex)

TURN = 2j * np.pi


def neighbours(rows: T) -> T:
    """The window's weights 1/6, 2/3 and 1/6 over bins, ``(..., n + 2)`` to ``(..., n)``.

    All that the window does to a density without detail finer than a few bins: at whole bins its
    transform's square vanishes but for these three (Harris 1978).
    """
    return (rows[..., :-2] + rows[..., 2:]) / 6 + rows[..., 1:-1] * (2 / 3)


def windowed_resonance(bins: Array, natural: Array, width: Array) -> Array:
    """Resonances of unit height as the window shows them, ``(n_resonances, n_bins)``.

    Parameters
    ----------
    bins : (n_bins,) or (n_resonances, n_bins)
        Frequencies one bin apart, in bins.
    natural, width : (n_resonances,)
        Natural frequencies and bandwidths in bins; quality factors above 1/2.
    """
    edges = np.concatenate([bins[..., :1] - 1, bins, bins[..., -1:] + 1], axis=-1)
    turning = np.sqrt(natural**2 - width**2 / 4)[:, None]
    tilt = 1 - 0.5j * width[:, None] / turning
    both = [
        factor * _transform(np.pi * width[:, None] + TURN * (edges - side))
        for factor, side in ((tilt, turning), (tilt.conj(), -turning))
    ]
    return np.asarray(np.pi * width[:, None] * (both[0] + both[1]).real)


def _transform(s: Complex) -> Complex:
    """∫ of the window's autocorrelation times exp(-sτ), at the bins between the outermost two."""
    powers = 1 / s
    gone = 1 - np.exp(-s[..., :1])  # the same at all bins
    return np.asarray(
        neighbours(powers - gone * powers**2)
        + gone / (2 * TURN) * (powers[..., :-2] - powers[..., 2:])
    )


def windowed_slopes(bins: Array, natural: float, width: float) -> Array:
    """One resonance of unit height and its slopes with log f0 and log B, ``(3, n_bins)``.

    Parameters
    ----------
    bins : (n_bins,)
        Frequencies one bin apart, in bins.
    natural, width : float
        In bins; quality factor above 1/2.
    """
    turning = sqrt(natural**2 - width**2 / 4)
    edges = np.arange(-1.0, len(bins) + 1) + bins[0]
    powers = np.empty((3, 2, len(edges)), complex)  # of 1/s, by pole
    powers[0] = 1 / (np.pi * width + TURN * (edges - np.array([[turning], [-turning]])))
    np.multiply(powers[0], powers[0], out=powers[1])
    np.multiply(powers[0], powers[1], out=powers[2])
    weights = np.empty((2, 3, 3, 2), complex)  # level or across, row, power, pole
    for row, (value, slope) in enumerate(_changes(natural, width, turning)):
        mirrored = value.conjugate(), slope.conjugate()
        for pole, (own, at) in enumerate((((value, slope), turning), (mirrored, -turning))):
            left = exp(-np.pi * width - TURN * (edges[0] - at))  # the same at all bins
            weights[0, row, :, pole] = _level(*own, left)
            weights[1, row, :, pole] = _across(*own, left)
    sums = (weights.reshape(6, 6) @ powers.reshape(6, -1)).real
    seen = neighbours(sums[:3]) + (sums[3:, :-2] - sums[3:, 2:])
    seen *= np.pi * width
    seen[2] += seen[0]
    return np.asarray(seen)


def _changes(natural: float, width: float, turning: float) -> list[tuple[complex, complex]]:
    """What multiplies a pole's transform, and its slope with s: of the value and both slopes."""
    tilt = 1 - 0.5j * width / turning
    with_natural = natural**2 / turning  # the turning frequency's own slopes
    with_width = -(width**2) / (4 * turning)
    return [
        (tilt, 0j),
        (0.5j * width * with_natural / turning**2, -tilt * TURN * with_natural),
        (
            0.5j * width * (with_width / turning**2 - 1 / turning),
            tilt * (np.pi * width - TURN * with_width),
        ),
    ]


def _level(value: complex, slope: complex, left: complex) -> tuple[complex, complex, complex]:
    """Factors on 1/s, 1/s² and 1/s³ of ∫ (1 - τ) exp(-sτ) and of its slope with s."""
    return value, -(1 - left) * value - (1 + left) * slope, 2 * (1 - left) * slope


def _across(value: complex, slope: complex, left: complex) -> tuple[complex, complex, complex]:
    """The same of ∫ exp(-sτ) / 4πi, whose differences make the sine's part."""
    gone = (1 - left) / (2 * TURN)
    return gone * value + left / (2 * TURN) * slope, -gone * slope, 0.0
