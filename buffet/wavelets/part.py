"""Energy over time of a run's quantities, each in the band of a peak."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.holm import holm
from buffet.interval import Interval
from buffet.parts import Absent, PartSettings
from buffet.quantity_samples import held_in_samples, quantity_samples, true_to_hz
from buffet.road_speed import road_ratio
from buffet.run_analysis import NO_CHANGE, NO_COPY, NO_WIND, RunAnalysis
from buffet.run_spectra import QuantityResult, RunResult
from buffet.spectral.decimated import DecimatedRecord
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.uncertainty import run_seed
from buffet.spectral.wavelet import (
    HALF_WIDTH,
    RedNoise,
    average_level,
    exceeded,
    frequency_hz,
    global_freedom,
)
from buffet.wavelets.background import red_noise_beneath
from buffet.wavelets.intermittency import (
    BandEnergy,
    band_energy,
    band_scales,
    influence_s,
)
from buffet.wavelets.scalogram import Scalogram, scalogram

Array = NDArray[np.float64]

# Of a peak's frequency, below which its band does not reach however wide the peak: half an
# octave more and the band would hold whatever lies beneath (engineering judgement).
LOWEST_SHARE = 0.5
# Periods of the band's lowest frequency that must be left once the ends are cut off: with fewer,
# hardly one burst in them (engineering judgement).
FEWEST_PERIODS = 30.0
OUTLINED_COLUMNS = 4  # of a scalogram, averaged before they are held against red noise
# Bins from which a background can be fitted; its two parameters need few.
FEWEST_BINS = 16
# p-value from which energy comes in bursts: no more than one record in twenty of steady noise.
SIGNIFICANCE = 0.05
NO_PEAK = "it has no broad peak that may be flow, and the run no fundamental frequency"
OWN_PEAK = "its strongest broad peak"
FUNDAMENTAL = "the run's fundamental frequency"


@dataclass(frozen=True)
class Band:
    """Where a quantity's energy is looked at, and why there."""

    centre_hz: float
    low_hz: float
    high_hz: float
    why: str

    @classmethod
    def around(cls, centre_hz: float, bandwidth_hz: float, to_hz: float, why: str) -> Band:
        """A peak and its half-power bandwidth to either side, the wavelet's own width at least."""
        half = max(bandwidth_hz, float(HALF_WIDTH) * centre_hz)
        low = max(centre_hz - half, LOWEST_SHARE * centre_hz)
        return cls(centre_hz, low, min(centre_hz + half, to_hz), why)


@dataclass(frozen=True)
class QuantityEnergy:
    """One quantity's energy over time in one band."""

    index: int  # in the run's quantities
    quantity: str
    unit: str
    band: Band
    background: RedNoise | None  # beneath the peaks; None: too few bins to fit one
    energy: BandEnergy
    p_value: float  # of the intermittency figure, by Holm over the run's quantities


@dataclass(frozen=True)
class RunWavelets:
    """Energy over time of all quantities that have a band."""

    analysis: RunAnalysis
    copy: DecimatedRecord
    named: str | None  # the quantity in which the fundamental was named
    quantities: tuple[QuantityEnergy, ...]  # the most significant bursts first
    missing: tuple[tuple[str, str], ...]  # quantity, and why
    holds_more: tuple[str, ...]  # what the samples hold though the run's results are without it
    lengths_per_s: float | None  # U / L
    road_per_s: float | None  # seconds on the road of one in the tunnel
    road_speed_m_s: float | None

    @property
    def drawn(self) -> QuantityEnergy:
        """The quantity in which the fundamental was named, or the one that bursts most clearly."""
        named = [one for one in self.quantities if one.quantity == self.named]
        return (*named, *self.quantities)[0]

    @cached_property
    def signal(self) -> Array:
        """Samples of the drawn quantity, at the copy's times."""
        return np.asarray(quantity_samples(self.analysis, [self.drawn.index])[0])

    @cached_property
    def scalogram(self) -> Scalogram:
        """Of the drawn quantity."""
        one = self.drawn
        to_hz = true_to_hz(self.analysis, one.index) or self.copy.to_hz
        return scalogram(self.signal, 1 / self.copy.rate_hz, one.band.centre_hz, to_hz)

    @cached_property
    def outlined(self) -> Scalogram:
        """The same in wider columns, whose outlines can be read."""
        return self.scalogram.wider(OUTLINED_COLUMNS)

    @cached_property
    def above_red_noise(self) -> Array | None:
        """`outlined.power` over what red noise exceeds in 5 % of a row's columns (eq. 23)."""
        noise, wide = self.drawn.background, self.outlined
        if noise is None:
            return None
        column_s = float(wide.edges_s[1] - wide.edges_s[0])
        expected = noise.density(wide.frequency_hz) * (self.copy.rate_hz / 2)
        level = expected * exceeded(global_freedom(wide.scales_s, column_s))
        return np.asarray(wide.power / level[:, None])


def of_run(result: RunResult, settings: PartSettings) -> RunWavelets | Absent:
    """Of every live quantity, in the band of its strongest broad peak or at the fundamental."""
    analysis = result.analysis
    copy = analysis.copy
    if analysis.run.kind == "wind-off":
        return Absent(NO_WIND)
    if copy is None:
        return Absent(NO_COPY)
    found: list[QuantityEnergy] = []
    missing = []
    for index, quantity in enumerate(result.quantities):
        if analysis.dead[index]:
            continue
        one = _of_quantity(result, copy, index)
        if isinstance(one, Absent):
            missing.append((quantity.quantity.name, one.why))
        else:
            found.append(one)
    if not found:
        whys = "; ".join(dict.fromkeys(why for _, why in missing))
        return Absent(f"no quantity has a band to look at: {whys}" if missing else NO_CHANGE)
    road = road_ratio(analysis, settings.road_speed_m_s)
    return RunWavelets(
        analysis,
        copy,
        None if result.fundamental is None else result.fundamental.channel,
        _corrected(found),
        tuple(missing),
        held_in_samples(analysis),
        None if result.strouhal_per_hz is None else 1 / result.strouhal_per_hz,
        None if road is None else 1 / road,
        settings.road_speed_m_s,
    )


def _of_quantity(result: RunResult, copy: DecimatedRecord, index: int) -> QuantityEnergy | Absent:
    analysis, one = result.analysis, result.quantities[index]
    to_hz = min(copy.to_hz, one.usable_to_hz)
    band = band_of(one, result, to_hz)
    if band is None:
        return Absent(NO_PEAK)
    if band.high_hz <= band.low_hz or band.centre_hz > to_hz:
        return Absent(f"its band at {band.centre_hz:.3g} Hz lies beyond the {to_hz:.3g} Hz kept")
    left_s = copy.n_samples / copy.rate_hz - 2 * influence_s(band.low_hz)
    if left_s * band.low_hz < FEWEST_PERIODS:
        return Absent(f"the record is too short for {FEWEST_PERIODS:.0f} periods of its band")
    scales = band_scales(band.low_hz, band.high_hz)
    background = _background(analysis, one)
    level = None
    if background is not None:
        expected = background.density(frequency_hz(scales)) * (copy.rate_hz / 2)
        level = average_level(scales, 1 / copy.rate_hz, expected)
    samples = quantity_samples(analysis, [index])[0]
    name = one.quantity.name
    rng = run_seed(analysis.run.number, name, "phases")
    energy = band_energy(samples, 1 / copy.rate_hz, scales, level, rng)
    return QuantityEnergy(index, name, one.quantity.unit, band, background, energy, energy.p_value)


def band_of(one: QuantityResult, result: RunResult, to_hz: float) -> Band | None:
    """The band of the strongest broad peak that may be flow, or of the run's fundamental."""
    for peak, kind in one.followed:
        if peak.kind == "broad" and kind.may_be_wake:
            return _around(peak.frequency_hz, peak.bandwidth_hz, to_hz, OWN_PEAK)
    if result.fundamental is None:
        return None
    wake = result.fundamental
    return _around(wake.frequency_hz, wake.bandwidth_hz, to_hz, FUNDAMENTAL)


def _around(centre: Interval, bandwidth: Interval, to_hz: float, why: str) -> Band:
    return Band.around(centre.value, bandwidth.value, to_hz, why)


def _background(analysis: RunAnalysis, one: QuantityResult) -> RedNoise | None:
    frequency, psd = one.frequency_hz[FIRST_BIN:], one.psd[FIRST_BIN:]
    if len(psd) < FEWEST_BINS or not (psd > 0).all():
        return None
    return red_noise_beneath(frequency, psd, one.peaks, 1 / analysis.sample_rate_hz)


def _corrected(found: list[QuantityEnergy]) -> tuple[QuantityEnergy, ...]:
    """With p-values for as many tests as there are quantities, smallest first."""
    p_values = holm([one.p_value for one in found])
    every = [replace(one, p_value=p) for one, p in zip(found, p_values, strict=True)]
    return tuple(sorted(every, key=lambda one: one.p_value))
