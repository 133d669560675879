"""Band variances of linear combinations of force components, in every segment group at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.reduction import ReducedSpectra

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Up to so many bands the rows are summed over each band first, which leaves one matrix product.
FEW_BANDS = 2


@dataclass(frozen=True)
class GroupFeatures:
    """Cross-spectra of segment groups as real numbers, in which |Σ rows_i X_i|² is linear.

    Where the same combinations are wanted of several records with the same bins, their groups
    stand one after another: what multiplies them is worked out once.
    """

    values: Array  # (n_groups, n_bins, n_components²)
    step_hz: float

    @classmethod
    def of(
        cls, spectra: Sequence[ReducedSpectra], components: Sequence[int], n_bins: int | None = None
    ) -> GroupFeatures:
        """Of these components, positions in those of the spectra, which have the same bins.

        Of the lowest `n_bins` alone where it is given.
        """
        parts = [_real_features(one.group_matrix[:, :n_bins], components) for one in spectra]
        values = parts[0] if len(parts) == 1 else np.concatenate(parts)
        return cls(values, spectra[0].frequency_step_hz)

    def variances(self, rows: Complex, bands: Array, first_bin: int = 0) -> Array:
        """Each group's band variances of linear combinations of the components.

        Parameters
        ----------
        rows : (n_components, n, n_used), what multiplies the components at bins from `first_bin` on
        bands : (n, n_bands, n_used), share of each of these bins in each band

        Returns
        -------
        (n_groups, n, n_bands), Σ_f bands · |rows · X|² df
        """
        n, n_bands, n_used = bands.shape
        weights = _real_weights(rows)  # (k, n, n_used)
        if n_bands <= FEW_BANDS:
            summed = bands[:, :, None] * weights.transpose(1, 0, 2)[:, None]  # (n, n_bands, k, f)
            flat = summed.transpose(0, 1, 3, 2).reshape(n * n_bands, -1)
            first = first_bin * len(weights)
            values = self.values.reshape(len(self.values), -1)[:, first : first + flat.shape[1]]
            return np.asarray((values @ flat.T).reshape(-1, n, n_bands) * self.step_hz)
        values = self.values[:, first_bin : first_bin + n_used].transpose(1, 0, 2)
        density = np.matmul(values, weights.transpose(2, 0, 1))  # (n_used, n_groups, n)
        ordered = np.ascontiguousarray(density.transpose(2, 0, 1))  # (n, n_used, n_groups)
        return np.asarray((bands @ ordered).transpose(2, 0, 1) * self.step_hz)


def _real_features(matrix: Complex, components: Sequence[int]) -> Array:
    """Diagonal, and real and imaginary parts above it, ``(..., n_components²)``."""
    n = len(components)
    features = np.empty((*matrix.shape[:-2], n**2))
    for place, i in enumerate(components):
        features[..., place] = matrix[..., i, i].real
    for place, (i, j) in enumerate(combinations(components, 2), n):
        features[..., place] = matrix[..., i, j].real
        features[..., place + n * (n - 1) // 2] = matrix[..., i, j].imag
    return features


def _real_weights(rows: Complex) -> Array:
    """Weights of `_real_features` that give |Σ_i rows_i X_i|², ``(n_components², ...)``."""
    real, imaginary = np.ascontiguousarray(rows.real), np.ascontiguousarray(rows.imag)
    n = len(real)
    weights = np.empty((n**2, *real.shape[1:]))
    weights[:n] = real**2 + imaginary**2
    for place, (i, j) in enumerate(combinations(range(n), 2), n):
        weights[place] = 2 * (real[i] * real[j] + imaginary[i] * imaginary[j])
        imaginary_part = real[i] * imaginary[j] - imaginary[i] * real[j]
        weights[place + n * (n - 1) // 2] = 2 * imaginary_part
    return weights
