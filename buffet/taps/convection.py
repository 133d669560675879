"""How fast fluctuations travel along rows of taps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import NORMAL_HALF_WIDTH, Interval
from buffet.run_spectra import RunResult
from buffet.spectral.plane_wave import Slowness, slowness
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.window import HANN_BIN_INFORMATION
from buffet.taps.modes import bins_about, strongest_peaks
from buffet.taps.tap_spectra import TapSpectra, stated

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Slowest travel that is looked for, over the wind speed: turbulence over a wall or in a free shear
# layer travels at 0.4 to 0.9 of it (engineering judgement).
SLOWEST_SHARE = 0.1
# Standard deviations of the neighbours' mean coherence above chance from which a row is coherent:
# one unrelated row in a thousand.
CLEAR_DEVIATIONS = 3.1
# Deviance over its degrees of freedom from which one speed does not explain the phases
# (engineering judgement; near 1 where it does).
CLEAR_MISFIT = 1.5
# Least share of a row's length that its ends must be apart lengthwise for "rearward".
LENGTHWISE_SHARE = 0.5
SAME_AXIS = ("rearward", "to the right", "upward")

NOT_COHERENT = "neighbouring taps are not coherent"
NO_TRAVEL = "the phase does not grow with distance, as in a standing pattern"
SEVERAL = "several speeds fit alike: the taps stand too far apart for what is coherent"


@dataclass(frozen=True)
class Travel:
    """Speed of travel in a band; a negative one runs against the row's direction."""

    speed_m_s: Interval | None
    over_wind: Interval | None
    why: str | None  # why there is no speed
    delay_s: Interval | None  # between the row's ends; None where nothing is coherent
    misfit: float | None  # deviance over its degrees of freedom


@dataclass(frozen=True)
class PairDelay:
    """Delay of one pair of taps by the slope of its own phase."""

    distance_m: float
    delay_s: float
    deviation_s: float


@dataclass(frozen=True)
class RowConvection:
    """One row of taps."""

    name: str
    taps: tuple[str, ...]  # in the row's direction
    places_m: tuple[float, ...]  # along the row from the first
    direction: str  # of growing places
    band_hz: tuple[float, float]
    coherence: float  # mean over the band of neighbouring taps', squared
    chance: float  # of unrelated taps
    travel: Travel
    peak_hz: float | None  # the taps' strongest peak
    at_peak: Travel | None  # phase speed there
    pairs: tuple[PairDelay, ...]  # empty where there is no speed

    @property
    def misfits(self) -> bool:
        """Whether one speed does not explain the phases."""
        return self.travel.misfit is not None and self.travel.misfit > CLEAR_MISFIT


@dataclass(frozen=True)
class BareRow:
    """A row of which nothing can be said."""

    name: str
    why: str


def row_names(result: RunResult) -> tuple[str, ...]:
    """Rows of the run's channels in sheet order."""
    return tuple(dict.fromkeys(c.row for c in result.analysis.run.channels if c.row is not None))


def row_convection(result: RunResult, name: str, taps: Sequence[int]) -> RowConvection | BareRow:
    """Of the live taps among `taps` that belong to the row."""
    analysis = result.analysis
    own = [i for i in taps if stated(analysis, i).row == name]
    if len(own) < 2:
        return BareRow(name, "fewer than two of its taps are alive")
    if analysis.flow is None:
        return BareRow(name, "no wind speed is stated or measured")
    order, places, direction = along([stated(analysis, i).at_m or (0.0, 0.0, 0.0) for i in own])
    own = [own[i] for i in order]
    spectra = TapSpectra.of(analysis, own)
    band = slice(FIRST_BIN, len(spectra.frequency_hz))
    if band.stop - band.start < 2:
        return BareRow(name, "its taps have no usable band in common")
    matrix = spectra.matrix(band)
    frequency = spectra.frequency_hz[band]
    coherence = _neighbours(matrix)
    wind_m_s = analysis.flow.speed_m_s
    travel = travel_along(matrix, frequency, spectra.averages, places, wind_m_s)
    peaks = strongest_peaks(result, own, float(frequency[-1]))
    at_peak = None if not peaks else _at_peak(spectra, places, wind_m_s, *peaks[0])
    return RowConvection(
        name,
        tuple(analysis.signal.quantities[i].name for i in own),
        tuple(places.tolist()),
        direction,
        (float(frequency[0]), float(frequency[-1])),
        float(coherence.mean()),
        1 / spectra.averages,
        travel,
        peaks[0][0] if peaks else None,
        at_peak,
        pair_delays(matrix, frequency, places, spectra.averages, travel),
    )


def along(points: Sequence[tuple[float, float, float]]) -> tuple[list[int], Array, str]:
    """Order of a row's taps, their places along the line that joins them, and its direction.

    Rearward where the row goes so far enough, else to the right or upward (SAE J1594 axes).
    """
    at = np.array(points)
    axis = np.linalg.svd(at - at.mean(axis=0))[2][0]
    order = np.argsort((at - at.mean(axis=0)) @ axis, kind="stable")
    ends = at[order[-1]] - at[order[0]]
    lengthwise = abs(ends[0]) >= LENGTHWISE_SHARE * np.linalg.norm(ends)
    main = 0 if lengthwise else 1 + int(np.argmax(np.abs(ends[1:])))
    if ends[main] < 0:
        order = order[::-1]
    steps = np.linalg.norm(np.diff(at[order], axis=0), axis=1)
    return order.tolist(), np.concatenate([[0.0], np.cumsum(steps)]), SAME_AXIS[main]


def _neighbours(matrix: Complex) -> Array:
    """Squared coherence of neighbouring taps, ``(n_bins, n_taps - 1)``."""
    power = np.einsum("fii->fi", matrix).real
    cross = np.abs(np.diagonal(matrix, 1, 1, 2)) ** 2
    return np.asarray(cross / np.maximum(power[:, :-1] * power[:, 1:], 1e-300))


def _is_coherent(coherence: Array, averages: float) -> bool:
    """By the mean over bins and pairs; one pair's has the mean 1/n and the variance of a beta
    distribution (Carter, Knapp & Nuttall 1973, IEEE Trans. Audio Electroacoust. 21, 337-344).
    """
    n = averages
    independent = max(1.0, len(coherence) * HANN_BIN_INFORMATION) * coherence.shape[1]
    deviation = np.sqrt((n - 1) / (n**2 * (n + 1)) / independent)
    return bool(coherence.mean() > 1 / n + CLEAR_DEVIATIONS * deviation)


def travel_along(
    matrix: Complex,
    frequency_hz: Array,
    averages: float,
    places_m: Array,
    wind_m_s: float,
    largest_s_m: float = np.inf,
) -> Travel:
    """What travels along a row in a band, or why nothing does.

    Parameters
    ----------
    matrix : (n_bins, n_taps, n_taps), E[X_j conj(X_k)], taps in the row's order
    places_m : (n_taps,), from the first tap
    largest_s_m : further bound of the slownesses looked for
    """
    if not _is_coherent(_neighbours(matrix), averages):
        return Travel(None, None, NOT_COHERENT, None, None)
    largest_s_m = min(largest_s_m, 1 / (SLOWEST_SHARE * wind_m_s))
    found = slowness(matrix, frequency_hz, places_m, averages, largest_s_m)
    return _told(found, float(places_m[-1]), wind_m_s)


def _told(found: Slowness | None, length_m: float, wind_m_s: float) -> Travel:
    if found is None:
        return Travel(None, None, NOT_COHERENT, None, None)
    half = NORMAL_HALF_WIDTH * found.deviation_s_m
    low, high = found.value_s_m - half, found.value_s_m + half
    delay = Interval(found.value_s_m * length_m, low * length_m, high * length_m)
    if found.ambiguous:
        return Travel(None, None, SEVERAL, None, found.misfit)
    if low <= 0 <= high:
        return Travel(None, None, NO_TRAVEL, delay, found.misfit)
    speed = Interval(1 / found.value_s_m, 1 / high, 1 / low)
    return Travel(speed, speed.scaled(1 / wind_m_s), None, delay, found.misfit)


def _at_peak(
    spectra: TapSpectra, places_m: Array, wind_m_s: float, peak_hz: float, width_hz: float
) -> Travel:
    """Phase speed where neighbours are less than half a wave apart."""
    bins = bins_about(spectra.frequency_hz, peak_hz, width_hz)
    matrix = spectra.matrix(bins)
    largest = 1 / (2 * peak_hz * float(np.diff(places_m).max()))
    frequency = spectra.frequency_hz[bins]
    return travel_along(matrix, frequency, spectra.averages, places_m, wind_m_s, largest)


def pair_delays(
    matrix: Complex, frequency_hz: Array, places_m: Array, averages: float, travel: Travel
) -> tuple[PairDelay, ...]:
    """Each pair's own delay: weighted slope of its phase about that of the row's speed.

    Weights γ² / (1 - γ²), by the variance (1 - γ²) / (2 n γ²) of a phase (Bendat & Piersol 2010,
    Random Data, 4th ed., table 9.6).
    """
    if travel.speed_m_s is None:
        return ()
    power = np.einsum("fii->fi", matrix).real
    omega = 2 * np.pi * frequency_hz
    found = []
    for i in range(len(places_m)):
        for k in range(i + 1, len(places_m)):
            distance = float(places_m[k] - places_m[i])
            # X_k lags: S_ik = |S| exp(+iω delay)
            expected = distance / travel.speed_m_s.value
            turned = matrix[:, i, k] * np.exp(-1j * omega * expected)
            size = np.abs(turned) ** 2 / np.maximum(power[:, i] * power[:, k], 1e-300)
            coherence = np.clip((averages * size - 1) / (averages - 1), 0.0, 1 - 1e-9)
            weight = coherence / (1 - coherence) * omega**2
            total = float(weight.sum())
            if not total > 0:
                continue
            shift = float(np.sum(weight * np.angle(turned) / omega)) / total
            deviation = (2 * averages * HANN_BIN_INFORMATION * total) ** -0.5
            found.append(PairDelay(distance, expected + shift, float(deviation)))
    return tuple(found)
