"""The spectrum to expect where no earlier campaign shows one, in St = f L / U."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log

import numpy as np
from numpy.typing import NDArray

from buffet.planning.bandwidth import statistical_bandwidth_hz
from buffet.spectral.peak_model import BACKGROUND_TERMS, Grid, evaluate, resonance
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.resolution import BINS_PER_BANDWIDTH
from buffet.spectral.window import HANN_BIN_INFORMATION, HANN_OVERLAP_CORRELATION

Array = NDArray[np.float64]

# Points a half-power bandwidth on which spectra are summed: a resonance to 0.1 %.
POINTS = 32
# A fit has six terms for the background and three for the peak: bins that it is given at least.
FEWEST_BINS = 32
# Of records of many segments: K_eff over K of half-overlapping Hann segments (Welch 1967).
OVERLAP_GAIN = 1 / (1 + 2 * HANN_OVERLAP_CORRELATION**2)


@dataclass(frozen=True)
class ExpectedSpectrum:
    """A shedding peak on an even floor, of variance 1 in the band; frequencies are f L / U."""

    strouhal: float  # of the peak
    quality: float  # its frequency over its half-power bandwidth
    share: float  # of the variance in the band, in the peak
    band: tuple[float, float]

    @property
    def bandwidth(self) -> float:
        """Half-power bandwidth of the peak."""
        return self.strouhal / self.quality

    def psd(self, strouhal: Array) -> Array:
        """Density over f L / U, ``(n,)``."""
        peak, floor = self._levels
        return resonance(strouhal, peak, self.strouhal, self.bandwidth) + floor

    @property
    def _levels(self) -> tuple[float, float]:
        """Height of the peak and level of the floor."""
        at = self.points()
        unit = resonance(at, 1.0, self.strouhal, self.bandwidth)
        peak = self.share / (float(unit.sum()) * float(at[1] - at[0]))
        return peak, (1 - self.share) / (self.band[1] - self.band[0])

    @property
    def n_points(self) -> int:
        """Number of steps that the band is summed in."""
        return max(1000, ceil((self.band[1] - self.band[0]) / self.bandwidth * POINTS))

    def points(self) -> Array:
        """Centres of even steps through the band."""
        low, high = self.band
        n = self.n_points
        return np.asarray(low + (np.arange(n) + 0.5) * (high - low) / n)

    @property
    def statistical_bandwidth(self) -> float:
        """B_s L / U of the band."""
        at = self.points()
        return statistical_bandwidth_hz(at, self.psd(at))

    def frequency_variance(self, resolution: float | None = None) -> float:
        """Variance of the logarithm of the peak's fitted frequency, times T U / L.

        By the expected information of the very fit that peaks are found with, Whittle's
        likelihood of a peak on a background of six terms, summed over the bins of half-overlapping
        Hann segments. A lone resonance on finer and finer bins comes to B / (4 π T f0²), from
        I = T ∫ (∂ ln S / ∂f0)² df = 4 π T / B, over 0.974 for the window.

        Parameters
        ----------
        resolution : distance of the bins, in f L / U; a quarter of the peak's bandwidth
        """
        step = resolution or self.bandwidth / BINS_PER_BANDWIDTH
        first = max(FIRST_BIN, round(self.band[0] / step))
        last = max(round(self.band[1] / step), first + FEWEST_BINS)
        grid = Grid(np.arange(first, last + 1) * np.float64(step), step)
        peak, floor = self._levels
        background = [log(max(floor, 1e-9 * peak)), *[0.0] * (BACKGROUND_TERMS - 1)]
        parameters = np.array([*background, log(peak), log(self.strouhal), log(self.bandwidth)])
        spectrum, gradient = evaluate(grid, parameters, ("resonance",))
        relative = gradient / spectrum
        segments_per_time = 2 * step * OVERLAP_GAIN  # K_eff of a record of length 1
        weight = segments_per_time * HANN_BIN_INFORMATION
        covariance = np.linalg.pinv(weight * relative @ relative.T)
        return float(covariance[-2, -2])
