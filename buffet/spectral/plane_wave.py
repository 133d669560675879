"""One speed along a row of taps, from all their cross-spectra at once.

What travels past taps at s_1 … s_P with the speed U delays each against another by (s_k - s_j) / U:
their cross-spectral matrix is S = D Γ D*, D = diag(exp(-2πi f s p)), with the slowness p = 1/U and
Γ real, since what is in phase has real cross-spectra. Γ, how coherence falls over distance and
frequency, need not be known: the likelihood of complex Gaussian spectra is largest for
Γ = Re(D* Ŝ D), which leaves the sum of n log det Re(D* Ŝ D) over the bins to be minimised over p.
Delays of pairs that share a tap are not independent; this weighs all of them as generalised least
squares of their phases would. The information on p per bin is
2 n (2πf)² [tr(M Γ M Γ⁻¹) - tr M²], M = diag(s) (Slepian-Bangs formula: Stoica & Moses 2005,
Spectral Analysis of Signals, appendix B).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.window import HANN_BIN_INFORMATION

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Averages of a block of bins over the number of taps: fewer leave Γ's estimate too uncertain.
AVERAGES_PER_TAP = 8.0
# Of a turn of phase between the ends of a row at the highest frequency: the likelihood is smooth
# over it.
SEARCH_TURN = 1 / 8
# Twice the logarithm of likelihoods within which two slownesses cannot be told apart: χ², one
# degree of freedom, 95 %.
SAME_LIKELIHOOD = 3.84


@dataclass(frozen=True)
class Slowness:
    """Time over distance along a row, positive towards growing distance."""

    value_s_m: float
    deviation_s_m: float  # standard deviation
    misfit: float  # deviance over its degrees of freedom: near 1 where one speed explains all
    ambiguous: bool  # another slowness fits as well


def slowness(
    matrix: Complex,
    frequency_hz: Array,
    place_m: Array,
    averages: float,
    largest_s_m: float,
) -> Slowness | None:
    """The slowness that explains a row's cross-spectra; None where they hold nothing on it.

    Parameters
    ----------
    matrix : (n_bins, n_taps, n_taps), E[X_j conj(X_k)], n_taps ≥ 2
    frequency_hz : (n_bins,), above zero
    place_m : (n_taps,), along the row
    averages : independent segments behind each bin
    largest_s_m : slownesses are looked for between this and its negative
    """
    wave = _Wave.of(matrix, frequency_hz, place_m, averages)
    start, ambiguous = _search(wave, largest_s_m)
    value = _refined(wave, start)
    information = wave.information(value)
    if not information > 0:
        return None
    misfit = wave.misfit(value)
    deviation = float(np.sqrt(max(misfit, 1.0) / information))
    return Slowness(value, deviation, misfit, ambiguous)


@dataclass(frozen=True)
class _Wave:
    """Coherency matrices in blocks of neighbouring bins, Γ taken as one within each."""

    coherency: Complex  # (n_blocks, n_bins, P, P)
    frequency_hz: Array  # (n_blocks, n_bins)
    place_m: Array  # (P,), about their mean
    averages: float  # of each block
    weight: float  # what they count for beside other blocks, whose bins are related

    @staticmethod
    def of(matrix: Complex, frequency_hz: Array, place_m: Array, averages: float) -> _Wave:
        """Blocks long enough for Γ; what is left of the highest bins is not used."""
        n_taps, n_bins = len(place_m), len(frequency_hz)
        per_bin = averages * HANN_BIN_INFORMATION
        length = max(1, int(np.ceil(AVERAGES_PER_TAP * n_taps / per_bin)))
        blocks = max(1, n_bins // length)
        length = n_bins // blocks
        used = slice(0, blocks * length)
        level = np.sqrt(np.maximum(np.einsum("fii->fi", matrix[used]).real, 1e-300))
        coherency = matrix[used] / (level[:, :, None] * level[:, None, :])
        return _Wave(
            coherency.reshape(blocks, length, n_taps, n_taps),
            frequency_hz[used].reshape(blocks, length),
            place_m - place_m.mean(),
            max(averages, per_bin * length),
            per_bin * length,
        )

    @property
    def step_s_m(self) -> float:
        """Slowness over which the likelihood is smooth."""
        return SEARCH_TURN / float(self.frequency_hz.max() * np.ptp(self.place_m))

    def aligned(self, slowness_s_m: float) -> Complex:
        """Means of D* C D over each block, ``(n_blocks, P, P)``."""
        turn = np.exp(2j * np.pi * slowness_s_m * self.frequency_hz[..., None] * self.place_m)
        turned = self.coherency * turn[..., :, None] * turn.conj()[..., None, :]
        return np.asarray(turned.mean(axis=1))

    def deviance(self, slowness_s_m: float) -> float:
        """Twice the negative logarithm of the likelihood, but for a constant."""
        logs = np.linalg.slogdet(self.aligned(slowness_s_m).real)[1]
        return float(2 * self.weight * logs.sum())

    def neighbours_agree(self, slowness_s_m: float) -> bool:
        """Whether taps next to one another are in phase, all in all, once aligned."""
        real = self.aligned(slowness_s_m).real.sum(axis=0)
        order = np.argsort(self.place_m)
        return bool(real[order[:-1], order[1:]].sum() > 0)

    def information(self, slowness_s_m: float) -> float:
        """On the slowness, less what the scatter of Γ's estimate seems to tell.

        Of a real Wishart matrix of ν degrees of freedom, E[tr(M Γ̂ M Γ̂⁻¹)] =
        (ν tr(M Γ M Γ⁻¹) - tr M²) / (ν - P - 1) for tr M = 0.
        """
        real = self.aligned(slowness_s_m).real
        inverse = np.linalg.pinv(real, hermitian=True)
        product = np.einsum("i,bij,j->b", self.place_m, real * inverse, self.place_m)
        square = float(self.place_m @ self.place_m)
        freedom = 2 * self.averages
        left = freedom - len(self.place_m) - 1
        told = (left * product + square) / freedom - square
        omega = 2 * np.pi * self.frequency_hz
        share = self.weight / self.averages
        return float(share * left * np.sum(np.mean(omega**2, axis=1) * told))

    def misfit(self, slowness_s_m: float) -> float:
        """Likelihood ratio against any phases, over its degrees of freedom."""
        aligned = self.aligned(slowness_s_m)
        whole, real = (np.linalg.slogdet(m)[1] for m in (aligned, aligned.real))
        n_taps = len(self.place_m)
        freedom = len(aligned) * n_taps * (n_taps - 1) // 2 - 1
        return float(2 * self.averages * np.sum(real - whole)) / max(freedom, 1)


def _search(wave: _Wave, largest_s_m: float) -> tuple[float, bool]:
    """The best slowness of a grid, and whether another hollow of it is as deep.

    Γ's signs are free, so that the phases of a narrow band fit again where neighbours have turned
    against one another: of hollows as deep, only those count where neighbours are in phase.
    """
    count = max(int(np.ceil(largest_s_m / wave.step_s_m)), 2)
    grid = np.linspace(-largest_s_m, largest_s_m, 2 * count + 1)
    deviance = np.array([wave.deviance(float(p)) for p in grid])
    best = int(np.argmin(deviance))
    inner = np.arange(1, len(grid) - 1)
    lower = np.minimum(deviance[inner - 1], deviance[inner + 1])
    hollows = inner[deviance[inner] < lower]
    depth = {int(i): float(deviance[i] - deviance[best]) for i in (*hollows, best)}
    close = [i for i in depth if depth[i] < SAME_LIKELIHOOD]
    close = [i for i in close if wave.neighbours_agree(float(grid[i]))] or [best]
    return float(grid[min(close, key=lambda i: depth[i])]), len(close) > 1


def _refined(wave: _Wave, start: float) -> float:
    """The minimum of the deviance near a point of the grid."""
    from scipy.optimize import minimize_scalar

    step = wave.step_s_m
    found = minimize_scalar(
        wave.deviance,
        bounds=(start - step, start + step),
        method="bounded",
        options={"xatol": 1e-5 * step},
    )
    return float(found.x)
