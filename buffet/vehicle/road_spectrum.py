"""The spectrum of a measured profile, its smoothing after ISO 8608, and the line through it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.errors import RoadError
from buffet.spectral.locking import lock
from buffet.spectral.window import degrees_of_freedom, hann
from buffet.vehicle.road_profile import Profile

Array = NDArray[np.float64]

# Segments of this length resolve ISO 8608's longest fitted wave; shorter ones scatter less.
SEGMENT_M = 200.0
# Half-overlapping segments of a quarter of the profile: fewer leave a bin with less than ten
# degrees of freedom (engineering judgement).
FEWEST_LENGTHS = 4
# The first bin that taking out a segment's mean leaves alone under a Hann window.
FIRST_BIN = 2
# Samples in the shortest wave that is used: what an unfiltered profile folds down adds a quarter
# there (w = 2), and less to longer waves.
SAMPLES_PER_WAVE = 4
# Waves that a profile must resolve, for a line that is to be read at 0.1 cycle/m: four octaves
# (engineering judgement).
NEEDED_CYCLE_M = (0.05, 0.8)

# ISO 8608:2016 (from memory): the line is fitted between these wavenumbers, through means over
# octaves up to the one at 1/32 cycle/m, thirds of an octave up to 1/4 cycle/m, and twelfths.
FITTED_CYCLE_M = (0.011, 2.83)
_BANDS = ((2**-9.5, 2**-4.5, 1), (2**-4.5, 2 ** (-2 + 1 / 6), 3), (2 ** (-2 + 1 / 6), 2**3.0, 12))


@dataclass(frozen=True, eq=False)
class ProfileSpectrum:
    """One-sided PSD of a profile's slope over the waves that it resolves."""

    wavenumber_cycle_m: Array  # (n,), even steps
    slope_psd_m: Array  # (n,), mean of both tracks' where there are two
    coherence: Array | None  # (n,), real part of left with right over the mean PSD
    segment_m: float
    degrees_of_freedom: float  # of a bin of one track

    def __post_init__(self) -> None:
        lock(self)

    @property
    def displacement_psd_m3(self) -> Array:
        """One-sided PSD of height, (n,)."""
        return np.asarray(self.slope_psd_m / (2 * np.pi * self.wavenumber_cycle_m) ** 2)


def profile_spectrum(profile: Profile) -> ProfileSpectrum:
    """Average periodograms of a profile's slope: Hann, half overlapped (Welch 1967).

    Heights fall so steeply with wavenumber that long waves leak into short ones; differences from
    sample to sample are nearly white, and their response, 2 sin(π n Δ)/Δ for the slope's 2π n, is
    divided out exactly. Their mean, which is the profile's grade, is taken out.

    Raises
    ------
    RoadError
        The profile is too short or too coarse, or nothing changes in it.
    """
    _require_waves(profile)
    slope = np.diff(profile.heights_m, axis=1) / profile.step_m
    slope -= slope.mean(axis=1, keepdims=True)
    length_m = min(SEGMENT_M, profile.length_m / FEWEST_LENGTHS)
    length = 2 * int(length_m / profile.step_m / 2)
    windows = np.lib.stride_tricks.sliding_window_view(slope, length, axis=1)[:, :: length // 2]
    window = hann(length)
    centred = windows - windows.mean(axis=-1, keepdims=True)
    transform = np.fft.rfft(centred * window, axis=-1)
    matrix = np.einsum("ask,bsk->kab", transform, transform.conj()) / windows.shape[1]
    wavenumber = np.fft.rfftfreq(length, profile.step_m)
    used = slice(FIRST_BIN, length // SAMPLES_PER_WAVE + 1)
    response = np.sinc(wavenumber * profile.step_m) ** 2
    matrix *= (2 * profile.step_m / (window**2).sum() / response)[:, None, None]
    own = np.einsum("kaa->ka", matrix).real[used].mean(axis=1)
    if not own.min() > 0:
        raise RoadError(f"{profile.file}: the height does not change; wanted a measured profile")
    return ProfileSpectrum(
        np.asarray(wavenumber[used], dtype=np.float64),
        own,
        matrix[used, 0, 1].real / own if len(slope) > 1 else None,
        length * profile.step_m,
        degrees_of_freedom(windows.shape[1]),
    )


def _require_waves(profile: Profile) -> None:
    low, high = NEEDED_CYCLE_M
    shortest_m = FIRST_BIN * FEWEST_LENGTHS / low
    coarsest_m = 1 / (SAMPLES_PER_WAVE * high)
    if profile.length_m < shortest_m * (1 - 1e-9) or profile.step_m > coarsest_m * (1 + 1e-9):
        raise RoadError(
            f"{profile.file}: {profile.length_m:.4g} m in steps of {profile.step_m:.3g} m do not "
            f"resolve waves from {1 / low:g} to {1 / high:g} m; wanted {shortest_m:g} m or more in "
            f"steps of {coarsest_m:.3g} m or less"
        )


def smoothed(wavenumber_cycle_m: Array, psd: Array) -> tuple[Array, Array, Array]:
    """Return ISO 8608's means over bands that the bins fill: centres, means, widths in octaves.

    Bins count by the share of them that lies in a band.

    References
    ----------
    ISO 8608:2016 Annex B (from memory).
    """
    step = wavenumber_cycle_m[1] - wavenumber_cycle_m[0]
    edges = np.append(wavenumber_cycle_m - step / 2, wavenumber_cycle_m[-1] + step / 2)
    integral = np.concatenate([[0.0], np.cumsum(psd) * step])
    bands = np.concatenate([_bands(*row) for row in _BANDS])
    bands = bands[(bands[:, 0] >= edges[0]) & (bands[:, 1] <= edges[-1])]
    low, high = bands[:, 0], bands[:, 1]
    means = (np.interp(high, edges, integral) - np.interp(low, edges, integral)) / (high - low)
    return np.sqrt(low * high), means, np.log2(high / low)


def _bands(low: float, high: float, per_octave: int) -> Array:
    """Edges of equal bands per octave, (n, 2)."""
    n = round(np.log2(high / low) * per_octave)
    edges = low * 2 ** (np.arange(n + 1) / per_octave)
    return np.stack([edges[:-1], edges[1:]], axis=1)


def fitted_line(spectrum: ProfileSpectrum, reference_cycle_m: float) -> tuple[float, float]:
    """Return G(n0), m³, and the waviness w: a straight line through the smoothed PSD's logarithm.

    Every octave counts alike, however finely it is divided.
    """
    smooth = smoothed(spectrum.wavenumber_cycle_m, spectrum.displacement_psd_m3)
    centre, mean, octaves = smooth
    used = (centre > FITTED_CYCLE_M[0]) & (centre < FITTED_CYCLE_M[1])
    slope, level = np.polyfit(
        np.log(centre[used] / reference_cycle_m),
        np.log(mean[used]),
        1,
        w=np.sqrt(octaves[used]),
    )
    return float(np.exp(level)), float(-slope)
