"""Cross-spectra of a run's quantities from those of its channels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from buffet.run_analysis import RunAnalysis
from buffet.spectral.lobes import lobes
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.segments import few_bins

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Complex = NDArray[np.complex128]


def line_bins(analysis: RunAnalysis) -> Mask:
    """Bins that pure lines fill in any quantity, where these were looked for, ``(n_bins,)``.

    The mains' pick-up and a fan's tone are in every channel and coherent, whatever drives what.
    """
    with_lines = analysis.with_lines or analysis
    at_hz = np.array([line.frequency_hz.value for line in with_lines.lines])
    filled = np.zeros(len(analysis.signal.frequency_hz), bool)
    for lobe in lobes(with_lines.signal, at_hz) if len(at_hz) else ():
        filled |= lobe.inside
    return filled


def common_bins(analysis: RunAnalysis, first: int, second: int) -> NDArray[np.intp]:
    """Bins that two quantities may use, those of the mean left out."""
    usable = analysis.signal.usable_bins
    return np.flatnonzero(usable[first] & usable[second])[FIRST_BIN:]


def quantity_cross(analysis: RunAnalysis, seconds: Sequence[int], firsts: Sequence[int]) -> Complex:
    """E[Y conj(X)] of quantities, ``(n_seconds, n_firsts, n_bins)``, on the bins of `signal`.

    S = R G M Gᴴ Rᵀ with the channels' matrix M, the gains G that take the channels' readings to
    the truth (rig, tubing), and the quantities' rows R; of the run as read.

    Raises
    ------
    ValueError
        The pass kept no whole matrix.
    """
    n_bins = len(analysis.signal.frequency_hz)
    cross = np.empty((len(seconds), len(firsts), n_bins), complex)
    for bins in few_bins(n_bins):
        matrix = analysis.spectra.matrix(bins)
        left, right = (_rows(analysis, some, bins) for some in (seconds, firsts))
        part = left @ matrix @ np.conj(right).transpose(0, 2, 1)
        cross[:, :, bins] = part.transpose(1, 2, 0)
    return cross


def quantity_psd(analysis: RunAnalysis, quantities: Sequence[int]) -> Array:
    """PSD of quantities, ``(n_quantities, n_bins)``: the same with each quantity itself.

    Raises
    ------
    ValueError
        The pass kept no whole matrix.
    """
    n_bins = len(analysis.signal.frequency_hz)
    psd = np.empty((len(quantities), n_bins))
    for bins in few_bins(n_bins):
        matrix = analysis.spectra.matrix(bins)
        rows = _rows(analysis, quantities, bins)
        psd[:, bins] = ((rows @ matrix) * np.conj(rows)).sum(axis=2).real.T
    return psd


def _rows(analysis: RunAnalysis, quantities: Sequence[int], bins: slice) -> Complex:
    """What takes the channels as read to the quantities, ``(bins, n_quantities, n_channels)``."""
    rows = np.array([analysis.signal.quantities[i].fluctuation_row for i in quantities])
    return np.asarray(rows * analysis.signal.gain[:, bins].T[:, None])
