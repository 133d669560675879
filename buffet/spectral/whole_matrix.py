"""The cross-spectral matrix of all channels as matrix products, one a bin."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Bins of one product: their matrices stay in a core's cache (measured flat from 128 to 256).
BINS_AT_ONCE = 128

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Spectra = NDArray[np.complexfloating[Any, Any]]
Each = Callable[[Callable[[Any], None], Iterable[Any]], list[Future[None]]]


class WholeMatrix:
    """Sums of X_i conj(X_j) over segments, for every pair of channels.

    With y = x (1 + i), the real product of (Re x, Im x) and (Re y, Im y) is Re(x conj(y)) =
    Re S + Im S. Re S is symmetric and Im S antisymmetric, so that one real matrix a bin holds
    both: half the work and half the memory of a complex product.
    """

    def __init__(self, packed: Array) -> None:
        self._packed = packed  # (n_bins, n_channels, n_channels), Re S + Im S, added to in place

    def add(self, spectra: Mapping[int, Spectra], low: Complex, each: Each) -> list[Future[None]]:
        """Add segments.

        Parameters
        ----------
        spectra : of each channel ``(n_segments, n_bins or more)``, zero where `low` stands
        low : (n_channels, n_segments, n_low), of the lowest bins
        each : sets a piece of work going for each of some items
        """
        starts = range(0, len(self._packed), BINS_AT_ONCE)
        return each(partial(self._add_bins, [spectra[i] for i in range(len(low))], low), starts)

    def _add_bins(self, spectra: Sequence[Spectra], low: Complex, start: int) -> None:
        total = self._packed[start : start + BINS_AT_ONCE]
        kind = np.result_type(*spectra)  # double where one channel's are
        x = np.empty((len(total), len(spectra), len(spectra[0])), kind)
        for channel, segments in enumerate(spectra):
            x[:, channel] = segments[:, start : start + len(total)].T
        y = x * (1 + 1j)
        real = x.real.dtype
        total += x.view(real) @ y.view(real).transpose(0, 2, 1)
        if start == 0:
            for lowest, z in zip(total, np.moveaxis(low, 2, 0), strict=False):
                lowest += pack(z @ np.conj(z.T))


def pack(matrix: Complex) -> Array:
    """One real matrix for a Hermitian one: Re + Im, of which `unpacked` makes it again."""
    return matrix.real + matrix.imag


def unpacked(packed: Array) -> Complex:
    """Hermitian matrices ``(..., n, n)`` of what `WholeMatrix` holds of them."""
    turned = np.swapaxes(packed, -1, -2)
    return np.asarray(((packed + turned) + 1j * (packed - turned)) / 2)


def unpacked_pair(packed: Array, first: int, second: int) -> Complex:
    """The elements of one pair, of matrices ``(n_bins, n, n)``."""
    there, back = packed[:, first, second], packed[:, second, first]
    return np.asarray(((there + back) + 1j * (there - back)) / 2)
