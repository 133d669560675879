"""What the taps of a run do together: modes in space, and at each frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import NORMAL_HALF_WIDTH, Interval
from buffet.run_spectra import RunResult
from buffet.spectral.pod import (
    ModeAtFrequency,
    SpaceModes,
    SpectralModes,
    mode_at,
    space_modes,
    spectral_modes,
    unrelated_shares,
)
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.uncertainty import run_seed
from buffet.spectral.window import HANN_BIN_INFORMATION
from buffet.taps.tap_spectra import TapSpectra, noise_covariance

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

TOLD_PEAKS = 3  # the strongest, at which modes are given
TOLD_MODES = 10  # in space; the shares of further ones are small
BAND_DRAWS = 40  # for a mean, not a quantile


@dataclass(frozen=True)
class BandShares:
    """How much the leading spectral modes hold of one octave."""

    low_hz: float
    high_hz: float
    shares: tuple[float, ...]  # first, second, third mode
    chance: float  # share of the first mode that unrelated taps would show, on average


@dataclass(frozen=True)
class TapModes:
    """Proper orthogonal decomposition of one run's taps; all taps count alike."""

    names: tuple[str, ...]
    to_hz: float  # end of the band that all taps have
    averages: float
    noise_removed: bool  # from the modes in space, by a wind-off run
    space: SpaceModes
    shares: tuple[Interval, ...]  # of the modes in space, by North's rule
    spectral: SpectralModes  # noise not removed
    bands: tuple[BandShares, ...]
    peaks: tuple[ModeAtFrequency, ...]  # the strongest first


def tap_modes(result: RunResult, taps: Sequence[int]) -> TapModes | str:
    """Of two taps or more; text says why there are none."""
    analysis = result.analysis
    if len(taps) < 2:
        return "modes need two taps or more"
    spectra = TapSpectra.of(analysis, taps)
    if len(spectra.frequency_hz) <= FIRST_BIN + 1:
        return "the taps have no usable band in common"
    rng = run_seed(analysis.run.number, "taps")
    to_hz = float(spectra.frequency_hz[-1])
    noise = noise_covariance(analysis, taps, to_hz)
    matrix_of_all, spectral = _sums(spectra)
    space = space_modes(
        matrix_of_all,
        spectra.frequency_hz,
        analysis.spectra.duration_s,
        spectra.averages,
        noise,
        FIRST_BIN,
    )
    return TapModes(
        tuple(analysis.signal.quantities[i].name for i in taps),
        to_hz,
        spectra.averages,
        noise is not None,
        space,
        tuple(map(_share, space.share[:TOLD_MODES], space.share_deviation)),
        spectral,
        _bands(result, spectra, spectral, rng),
        tuple(_at_peak(spectra, *peak, rng) for peak in strongest_peaks(result, taps, to_hz)),
    )


def _sums(spectra: TapSpectra) -> tuple[Array, SpectralModes]:
    """Real parts of all bins (symmetric, half the memory), and the eigenvalues of each."""
    shape = (len(spectra.frequency_hz), len(spectra.channels), len(spectra.channels))
    real = np.empty(shape)
    parts = []
    for bins, matrix in spectra.pieces():
        real[bins] = matrix.real
        parts.append(spectral_modes(matrix, spectra.frequency_hz[bins]))
    density = np.concatenate([part.density for part in parts], axis=1)
    total = np.concatenate([part.total for part in parts])
    return real, SpectralModes(spectra.frequency_hz, density, total)


def _share(share: float, deviation: float) -> Interval:
    half = NORMAL_HALF_WIDTH * deviation
    return Interval(float(share), max(float(share - half), 0.0), min(float(share + half), 1.0))


def _bands(
    result: RunResult, spectra: TapSpectra, spectral: SpectralModes, rng: np.random.Generator
) -> tuple[BandShares, ...]:
    """In the octaves of the run's RMS values, as far as all taps reach."""
    found = []
    for band in result.quantities[0].bands if result.quantities else ():
        inside = (spectral.frequency_hz >= band.low_hz) & (spectral.frequency_hz < band.high_hz)
        shares = spectral.share(band.low_hz, band.high_hz)
        if (
            shares is None
            or band.high_hz > spectral.frequency_hz[-1] + result.analysis.spectra.frequency_step_hz
        ):
            continue
        bins = np.flatnonzero(inside)
        matrix = spectra.matrix(slice(int(bins[0]), int(bins[-1]) + 1))
        levels = np.einsum("fii->i", matrix).real
        chance = unrelated_shares(levels, spectra.averages, rng, BAND_DRAWS)
        told = tuple(shares.tolist())
        found.append(BandShares(band.low_hz, band.high_hz, told, float(chance.mean())))
    return tuple(found)


def strongest_peaks(
    result: RunResult, taps: Sequence[int], to_hz: float
) -> list[tuple[float, float]]:
    """Frequency and width of the taps' strongest peaks, each once, by the RMS of all taps."""
    every = [peak for i in taps for peak in result.quantities[i].peaks]
    groups: list[tuple[float, float, float]] = []  # frequency, width, sum of squares
    for peak in sorted(every, key=lambda p: -p.rms.value):
        hz, width = peak.frequency_hz.value, peak.bandwidth_hz.value
        if hz > to_hz:
            continue
        reach = max(width, 2 * result.analysis.spectra.frequency_step_hz)
        near = next((k for k, g in enumerate(groups) if abs(g[0] - hz) <= max(reach, g[1])), None)
        square = peak.rms.value**2
        if near is None:
            groups.append((hz, width, square))
        else:
            groups[near] = (*groups[near][:2], groups[near][2] + square)
    groups.sort(key=lambda group: -group[2])
    return [group[:2] for group in groups[:TOLD_PEAKS]]


def _at_peak(
    spectra: TapSpectra, frequency_hz: float, bandwidth_hz: float, rng: np.random.Generator
) -> ModeAtFrequency:
    bins = bins_about(spectra.frequency_hz, frequency_hz, bandwidth_hz)
    count = bins.stop - bins.start
    averages = spectra.averages * max(1.0, count * HANN_BIN_INFORMATION)
    return mode_at(spectra.matrix(bins).mean(axis=0), frequency_hz, averages, rng)


def bins_about(bins_hz: Array, frequency_hz: float, bandwidth_hz: float) -> slice:
    """The middle half of a peak's half-power band, one bin at least; never the mean's bins."""
    half = bandwidth_hz / 4
    nearest = max(int(np.argmin(np.abs(bins_hz - frequency_hz))), FIRST_BIN)
    inside = np.flatnonzero(np.abs(bins_hz - frequency_hz) <= half)
    inside = inside[inside >= FIRST_BIN]
    if not len(inside):
        return slice(nearest, nearest + 1)
    return slice(min(int(inside[0]), nearest), max(int(inside[-1]), nearest) + 1)
