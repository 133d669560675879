"""Runs of one configuration put together for a figure; no verdict rests on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from buffet.comparing import COMPARED
from buffet.interval import Interval
from buffet.rating.rate import Rating
from buffet.rating.scatter import Scatter, blocks_of, by_component, log_variance, scatter
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import strouhal_per_hz
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.uncertainty import half_value, log_estimate

Array = NDArray[np.float64]

# Bands in which spectra are averaged for drawing: narrower than the peaks of a wake (Q below
# about 10 spans more than an eighth of an octave), wide enough to calm the lines.
BANDS_PER_OCTAVE = 16


@dataclass(frozen=True)
class PooledSpectrum:
    """Mean spectrum of one component over the runs of a configuration, wind-off noise removed."""

    configuration: str
    component: str
    strouhal: Array  # (n,)
    psd: Array  # (n,), coefficient² per unit of Strouhal number; NaN where no more than noise


def components(runs: Sequence[RunAnalysis]) -> tuple[str, ...]:
    """Forces and moments that every run has."""
    return tuple(
        word
        for word in COMPARED
        if runs and all(run.signal.measured(word) is not None for run in runs)
    )


def pooled_spectrum(rating: Rating, configuration: str, component: str) -> PooledSpectrum | None:
    """Each run's spectrum over Strouhal number averaged in bands, then over the runs that reach.

    Returns None where a run lacks the component, the model or the wind.
    """
    runs = rating.analysis.of(configuration)
    spectra = [_over_strouhal(run, component) for run in runs]
    known = [spectrum for spectrum in spectra if spectrum is not None]
    if not known or len(known) < len(runs):
        return None
    lowest = min(strouhal[0] for strouhal, _ in known)
    highest = max(strouhal[-1] for strouhal, _ in known)
    steps = int(np.ceil(np.log2(highest / lowest) * BANDS_PER_OCTAVE)) + 1
    edges = lowest * 2 ** ((np.arange(steps + 1) - 0.5) / BANDS_PER_OCTAVE)
    rows = np.array([_in_bands(strouhal, psd, edges) for strouhal, psd in known])
    counts = np.isfinite(rows).sum(axis=0)
    mean = np.nansum(rows, axis=0) / np.maximum(counts, 1)
    centres = np.sqrt(edges[1:] * edges[:-1])
    reached = counts > 0
    shown = np.where(mean > 0, mean, np.nan)
    return PooledSpectrum(configuration, component, centres[reached], shown[reached])


def _over_strouhal(run: RunAnalysis, component: str) -> tuple[Array, Array] | None:
    """Strouhal numbers of the usable bins and S·U/L with the wind-off noise taken out."""
    index, per_hz = run.signal.measured(component), strouhal_per_hz(run)
    if index is None or per_hz is None:
        return None
    bins = np.flatnonzero(run.signal.usable_bins[index])[FIRST_BIN:]
    if not len(bins):
        return None
    psd = run.signal.psd[index]
    if run.noise_psd is not None:
        psd = psd - run.noise_psd[index]
    return run.signal.frequency_hz[bins] * per_hz, psd[bins] / per_hz


def _in_bands(strouhal: Array, psd: Array, edges: Array) -> Array:
    """Mean of the bins in each band; between bins where a band is narrower than they are apart."""
    counts, _ = np.histogram(strouhal, edges)
    sums, _ = np.histogram(strouhal, edges, weights=psd)
    centres = np.sqrt(edges[1:] * edges[:-1])
    between = np.interp(centres, strouhal, psd, left=np.nan, right=np.nan)
    return np.where(counts > 0, sums / np.maximum(counts, 1), between)


def rms_scatter(rating: Rating, component: str) -> Scatter:
    """Scatter of a component's logarithm of variance between runs and wind speeds."""
    return scatter(rating.analysis, partial(log_variance, find=by_component(component)))


def pooled_rms(
    rating: Rating, configuration: str, component: str, spread: Scatter
) -> Interval | None:
    """RMS coefficient of a configuration over its runs; None where nothing is left over noise."""
    runs = rating.analysis.of(configuration)
    if not runs or any(run.signal.measured(component) is None for run in runs):
        return None
    samples = np.mean([_variances(run, component) for run in runs], axis=0)
    blocks = blocks_of(runs, by_component(component))
    unseen = spread.unseen(configuration, len(runs))
    estimate = half_value(log_estimate(samples, blocks, unseen))
    if not estimate.value > 0 or not np.isfinite(estimate.spread):
        return None
    return estimate.interval()


def _variances(run: RunAnalysis, component: str) -> Array:
    index = run.signal.measured(component)
    return np.asarray(run.total_samples[:, index])
