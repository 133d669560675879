"""What `spectra` says of one run: mean, RMS, PSD and peaks of every quantity."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from buffet.bands import BandRms, band_rms
from buffet.interval import Interval
from buffet.noise_floor import SignalToNoise, signal_to_noise
from buffet.peak_classes import NOT_FOLLOWED, PeakClass
from buffet.run_analysis import NO_WIND, RunAnalysis
from buffet.shown import Shown
from buffet.spectral.peaks import Peak, PeakFit, fit_peaks, no_peaks
from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra, combined_psd
from buffet.spectral.strouhal import (
    Fundamental,
    NamedPeaks,
    mark_harmonics,
    name_fundamental,
    unmarked,
)
from buffet.spectral.uncertainty import half_value, half_width, log_estimate
from buffet.spectral.window import chi2_factors
from buffet.tubing import tubing_of
from buffet.tunnel_part import TunnelPart, tunnel_part
from ingest import FORCES, MOMENTS, Finding, Quantity, TubingCorrection

Array = NDArray[np.float64]

NO_CALIBRATION = "no uncertainty of its calibration is stated"
NO_LENGTHS = "no Strouhal length or wind speed is stated"
NO_RMS = "the fluctuation does not rise above the wind-off noise"


@dataclass(frozen=True)
class QuantityResult:
    """One logged or derived quantity of a run."""

    quantity: Quantity
    mean: Interval
    rms: Interval | None  # wind-off noise removed; None where nothing is left
    reliable: bool  # enough independent blocks behind `rms`
    noise_rms: float | None  # what was removed
    below_resolution: float  # variance by the moments less that of all bins, unit²
    unresolved_share: float  # of the variance, in the bins that a segment cannot tell from zero
    usable_to_hz: float
    # Variance of the inertial part, which is removed, over that of the balance's reading, in the
    # usable band; None where nothing is removed.
    inertial_share: float | None
    bands: tuple[BandRms, ...]
    peaks: tuple[Peak, ...]
    fit_deviance: float | None  # of the peaks' fit over a right model's; None: none was looked for
    peak_shares: Array  # (n_peaks, n), what each makes of the fitted PSD, over that
    frequency_hz: Array  # (n,)
    psd: Array  # (n,), noise not removed
    psd_factors: tuple[float, float]  # to the confidence limits
    noise_psd: Array | None  # (n,)
    noise: SignalToNoise  # over the usable band
    classes: tuple[PeakClass, ...] = ()  # of `peaks`, once they were followed over the wind speeds
    calibration_uncertainty: float | None = None  # k = 1; no interval holds it
    tunnel: TunnelPart | None = None  # what follows the reference probes, where there are any
    tubing: TubingCorrection | None = None
    tubing_why: str | None = None  # why there is none

    @property
    def followed(self) -> tuple[tuple[Peak, PeakClass], ...]:
        """Each peak with its class."""
        classes = self.classes or (NOT_FOLLOWED,) * len(self.peaks)
        return tuple(zip(self.peaks, classes, strict=True))


@dataclass(frozen=True)
class RunResult(Shown):
    """One run's quantities and its Strouhal number."""

    analysis: RunAnalysis
    quantities: tuple[QuantityResult, ...]
    fundamental: Fundamental | None
    strouhal: Interval | None
    strouhal_why: str
    rig: tuple[Finding, ...] = ()  # what of it is not flow, once peaks were followed

    @property
    def strouhal_per_hz(self) -> float | None:
        """L / U, or None without a model or wind."""
        return strouhal_per_hz(self.analysis)


def strouhal_per_hz(analysis: RunAnalysis) -> float | None:
    """L / U of a run, or None without a model or wind."""
    if analysis.flow is None or analysis.model is None:
        return None
    return analysis.model.strouhal_length_m / analysis.flow.speed_m_s


def run_result(
    analysis: RunAnalysis,
    looked_at: Callable[[Quantity], bool] = lambda quantity: True,
    road_speed_m_s: float | None = None,
) -> RunResult:
    """Means, RMS values, spectra and peaks of one analysed run.

    `looked_at` says for which quantities peaks are looked for, which takes most of the time.
    `road_speed_m_s` gives the bands in road hertz at that speed, where the run has wind.
    """
    signal = analysis.signal
    totals = [
        half_value(log_estimate(samples, analysis.resampling(i).blocks))
        for i, samples in enumerate(analysis.total_samples.T)
    ]
    noise = analysis.noise_psd
    noise_totals = analysis.noise_samples(ReducedSpectra.group_totals)
    fits = find_peaks(analysis, looked_at)
    bands = band_rms(analysis, road_speed_m_s)
    factors = chi2_factors(analysis.degrees_of_freedom)
    unresolved = signal.unresolved_share
    results = []
    for i, quantity in enumerate(signal.quantities):
        bins = signal.usable_bins[i]
        positive = totals[i].value > 0 and np.isfinite(totals[i].spread)
        results.append(
            QuantityResult(
                quantity,
                _mean(analysis, i),
                totals[i].interval() if positive else None,
                totals[i].reliable,
                _noise_rms(noise_totals, i),
                float(signal.below_resolution[i]),
                float(unresolved[i]),
                float(signal.usable_hz[i]),
                _inertial_share(analysis, i),
                bands[i],
                fits[i].peaks,
                fits[i].deviance,
                fits[i].shares,
                signal.frequency_hz[bins],
                signal.psd[i, bins],
                factors,
                None if noise is None else noise[i, bins],
                _over_noise(analysis, i, noise_totals),
                (),
                analysis.calibration_uncertainty[i],
                tunnel_part(analysis, i),
                *tubing_of(analysis, i),
            )
        )
    return named(analysis, results)


def find_peaks(analysis: RunAnalysis, looked_at: Callable[[Quantity], bool]) -> list[PeakFit]:
    """Peaks of each quantity that is looked at, found once and kept in the run."""
    return [
        _peaks(analysis, i, looked_for=not analysis.dead[i] and looked_at(quantity))
        for i, quantity in enumerate(analysis.signal.quantities)
    ]


def named(analysis: RunAnalysis, quantities: Sequence[QuantityResult]) -> RunResult:
    """The run with its fundamental named and its harmonics marked.

    Peaks whose class speaks for the rig, the mains or what turns are neither.
    """
    fundamental, why = name_fundamental(_named(analysis.signal, quantities))
    marked = tuple(replace(q, peaks=_marked(q, fundamental)) for q in quantities)
    return RunResult(analysis, marked, fundamental, *_strouhal(analysis, fundamental, why))


def _marked(quantity: QuantityResult, fundamental: Fundamental | None) -> tuple[Peak, ...]:
    plain = tuple(map(unmarked, quantity.peaks))
    if fundamental is None:
        return plain
    marked = mark_harmonics(plain, fundamental.frequency_hz.value)
    classes = [kind for _, kind in quantity.followed]
    return tuple(
        harmonic if kind.may_be_wake else peak
        for harmonic, peak, kind in zip(marked, plain, classes, strict=True)
    )


def _strouhal(
    analysis: RunAnalysis, fundamental: Fundamental | None, why: str
) -> tuple[Interval | None, str]:
    per_hz = strouhal_per_hz(analysis)
    if analysis.run.kind == "wind-off":
        return None, NO_WIND
    if fundamental is None:
        return None, why
    if per_hz is None:
        return None, f"{NO_LENGTHS}; the frequency is that of {why}"
    return fundamental.frequency_hz.scaled(per_hz), why


def _named(signal: ReducedSpectra, quantities: Sequence[QuantityResult]) -> list[NamedPeaks]:
    """Forces and moments; pressures, and then anything, where there is none."""
    rms = np.sqrt(np.maximum(signal.group_totals().mean(axis=0), 0))
    every = [
        NamedPeaks(
            q.quantity.name,
            q.quantity.measures,
            float(rms[i]),
            tuple(unmarked(peak) for peak, kind in q.followed if kind.may_be_wake),
            tuple(unmarked(peak) for peak, kind in q.followed if not kind.may_be_wake),
        )
        for i, q in enumerate(quantities)
    ]
    forces = [n for n in every if n.measures in (*FORCES, *MOMENTS)]
    return forces or [n for n in every if n.measures == "pressure"] or every


def _peaks(analysis: RunAnalysis, index: int, *, looked_for: bool) -> PeakFit:
    """Of the bins between those of the mean and Nyquist's, which holds half a density.

    From the F-test's lines on, where long stretches were transformed. The shares are those of all
    usable bins: zero where no peaks were looked for.
    """
    signal = analysis.signal
    usable = int(signal.usable_bins[index].sum())
    if not looked_for:
        return no_peaks(usable)
    if index in analysis.fits:
        return analysis.fits[index]
    below_nyquist = signal.frequency_hz < (analysis.sample_rate_hz - signal.frequency_step_hz) / 2
    bins = np.flatnonzero(signal.usable_bins[index] & below_nyquist)[FIRST_BIN:]
    known_hz = [] if analysis.with_lines else _lines_hz(analysis, index)
    found = fit_peaks(
        signal.frequency_hz[bins], signal.psd[index, bins], signal.effective_segments, known_hz
    )
    shares = np.zeros((len(found.peaks), usable))
    shares[:, bins] = found.shares
    shares.setflags(write=False)
    return analysis.fits.setdefault(index, replace(found, shares=shares))


def _lines_hz(analysis: RunAnalysis, index: int) -> list[float]:
    """Lines of the channels behind a quantity, the clearest first."""
    behind = set(np.flatnonzero(analysis.signal.quantities[index].fluctuation_row).tolist())
    own = [line for line in analysis.lines if behind & set(line.channels)]
    return [line.frequency_hz.value for line in sorted(own, key=lambda line: -line.f_ratio)]


def _mean(analysis: RunAnalysis, index: int) -> Interval:
    """Mean with the scatter of the record and of its zeros."""
    signal = analysis.signal
    variance = signal.mean_variance[index] + analysis.zero_variance[index]
    half = float(half_width(variance, signal.mean_freedom[index]))
    value = float(signal.mean[index])
    return Interval(value, value - half, value + half)


def _inertial_share(analysis: RunAnalysis, index: int) -> float | None:
    quantity = analysis.signal.quantities[index]
    if quantity.inertial_row is None:
        return None
    bins = slice(FIRST_BIN, int(analysis.signal.usable_bins[index].sum()))
    part, reading = (
        float(combined_psd(analysis.spectra, row)[bins].sum())
        for row in (quantity.inertial_row, quantity.row)
    )
    return part / reading if reading > 0 else None


def _noise_rms(noise_totals: Array | None, index: int) -> float | None:
    return None if noise_totals is None else float(np.sqrt(max(noise_totals[0, index], 0.0)))


def _over_noise(analysis: RunAnalysis, index: int, noise_totals: Array | None) -> SignalToNoise:
    noise = None if noise_totals is None else noise_totals[:, index]
    return signal_to_noise(analysis, index, analysis.total_samples[:, index], noise)
