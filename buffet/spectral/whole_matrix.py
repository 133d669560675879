"""The cross-spectral matrix of all channels as matrix products, one a bin."""

from __future__ import annotations

from concurrent.futures import Executor
from functools import partial

import numpy as np
from numpy.typing import NDArray

# Bins of one product: their matrices stay in a core's cache (measured flat from 64 to 128).
BINS_AT_ONCE = 64

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


class WholeMatrix:
    """Sums of X_i conj(X_j) over segments, for every pair of channels.

    With y = x (1 + i), the real product of (Re x, Im x) and (Re y, Im y) is Re(x conj(y)) =
    Re S + Im S. Re S is symmetric and Im S antisymmetric, so that one real matrix a bin holds
    both: half the work and half the memory of a complex product.
    """

    def __init__(self, n_channels: int, n_bins: int) -> None:
        self.packed = np.zeros((n_bins, n_channels, n_channels))  # Re S + Im S

    def add(self, spectra: list[Complex], pool: Executor) -> None:
        """Add segments: of each channel ``(n_segments, n_bins or more)``."""
        starts = range(0, len(self.packed), BINS_AT_ONCE)
        list(pool.map(partial(self._add_bins, spectra), starts))

    def _add_bins(self, spectra: list[Complex], start: int) -> None:
        total = self.packed[start : start + BINS_AT_ONCE]
        x = np.empty((len(total), len(spectra), len(spectra[0])), complex)
        for channel, segments in enumerate(spectra):
            x[:, channel] = segments[:, start : start + len(total)].T
        y = x * (1 + 1j)
        total += x.view(float) @ y.view(float).transpose(0, 2, 1)

    def take_out(self, constant: Array, count: int, low: Complex) -> None:
        """From sums of X Y* to those of (X - a)(Y - b)*, in place.

        Parameters
        ----------
        constant : (n_channels, n_low), what `count` segments lose in each of the lowest bins
        low : (n_channels, n_low), the summed transforms there
        """
        for place, (a, x) in enumerate(zip(constant.T, low.T, strict=True)):
            with_mean = np.outer(x, a)  # X b*
            taken = count * np.outer(a, a) - with_mean - np.conj(with_mean.T)
            self.packed[place] += taken.real + taken.imag


def unpacked(packed: Array) -> Complex:
    """Hermitian matrices ``(..., n, n)`` of what `WholeMatrix` holds of them."""
    turned = np.swapaxes(packed, -1, -2)
    return np.asarray(((packed + turned) + 1j * (packed - turned)) / 2)


def unpacked_pair(packed: Array, first: int, second: int) -> Complex:
    """The elements of one pair, of matrices ``(n_bins, n, n)``."""
    there, back = packed[:, first, second], packed[:, second, first]
    return np.asarray(((there + back) + 1j * (there - back)) / 2)
