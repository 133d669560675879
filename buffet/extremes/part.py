"""The largest and smallest values of a run's quantities in a driving time."""

from __future__ import annotations

import numpy as np

from buffet.extremes.blocks import RecordExtremes, record_extremes
from buffet.extremes.gumbel import HIGH_FRACTILE, MEAN_FRACTILE, Tail
from buffet.extremes.peak_factor import FEWEST_PERIODS, SpectralShape, davenport, grouped
from buffet.extremes.result import (
    Extremes,
    LoadChance,
    PeakFactor,
    QuantityExtremes,
    WorstValue,
)
from buffet.interval import Interval
from buffet.parts import Absent, Load, PartSettings
from buffet.quantity_samples import held_in_samples, quantity_samples, true_to_hz
from buffet.road_speed import FullScale, road_ratio
from buffet.run_analysis import NEVER_CHANGED, NO_CHANGE, NO_COPY, NO_WIND, RunAnalysis
from buffet.run_spectra import QuantityResult, RunResult
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.uncertainty import MOST_FREEDOM, half_width
from ingest import FORCES, MOMENTS, PRESSURES, Quantity

# Davenport's peak factor is said not to hold where one that knows of groups is smaller by more
# (engineering judgement: a tenth of a usual interval's half-width).
GROUPING = 0.02


def of_run(result: RunResult, settings: PartSettings) -> Extremes | Absent:
    """Worst values of every quantity that lives.

    Without a road speed (or where the run cannot be carried to one) the driving time counts as
    seconds of the run, and everything stays in the quantities' own units.
    """
    analysis = result.analysis
    if analysis.run.kind != "wind-on":
        return Absent(NO_WIND)
    if analysis.copy is None:
        return Absent(NO_COPY)
    road = road_ratio(analysis, settings.road_speed_m_s)
    speed = None if road is None else settings.road_speed_m_s
    time_s = settings.driving_time_s * (1.0 if road is None else road)
    quantities = tuple(
        _quantity(analysis, i, one, time_s, speed) for i, one in enumerate(result.quantities)
    )
    if all(analysis.dead):
        return Absent(NO_CHANGE)
    if all(q.largest is None for q in quantities):
        return Absent(next((q.why for q in quantities if q.why), "it has no quantities"))
    return Extremes(
        settings.driving_time_s,
        speed,
        time_s,
        analysis.spectra.duration_s,
        quantities,
        tuple(_chance(quantities, load, time_s) for load in settings.loads),
        held_in_samples(analysis),
    )


def _quantity(
    analysis: RunAnalysis, index: int, one: QuantityResult, time_s: float, speed: float | None
) -> QuantityExtremes:
    to_hz = true_to_hz(analysis, index)
    factor, unit = _full_scale(analysis, one.quantity, speed)
    shape = spectral_shape(analysis, index, to_hz) if to_hz else None
    found = _found(analysis, index, to_hz, shape)
    if isinstance(found, str) or shape is None:
        nothing = (None,) * 2
        return QuantityExtremes(
            one.quantity, to_hz, *nothing, str(found), *nothing, *nothing, factor, unit
        )
    return QuantityExtremes(
        one.quantity,
        to_hz,
        _worst(analysis, index, found.largest, time_s),
        _worst(analysis, index, found.smallest, time_s),
        None,
        found.skewness,
        found.excess_kurtosis,
        _peak_factor(shape, found, time_s),
        (one.noise_rms or 0.0) / found.largest.rms,
        factor,
        unit,
    )


def _found(
    analysis: RunAnalysis, index: int, to_hz: float | None, shape: SpectralShape | None
) -> RecordExtremes | str:
    if analysis.dead[index]:
        return NEVER_CHANGED
    if shape is None or to_hz is None or analysis.copy is None:
        return "its fluctuation does not rise above the wind-off noise"
    samples = quantity_samples(analysis, [index])[0]
    return record_extremes(samples, analysis.copy.rate_hz, to_hz, shape)


def spectral_shape(analysis: RunAnalysis, index: int, to_hz: float) -> SpectralShape | None:
    """Of a quantity's spectrum, wind-off noise taken out, from the first resolved bin up."""
    signal = analysis.signal
    bins = signal.frequency_hz <= to_hz
    bins[:FIRST_BIN] = False
    psd = (
        signal.psd[index]
        if analysis.noise_psd is None
        else (signal.psd - analysis.noise_psd)[index]
    )
    return SpectralShape.of(signal.frequency_hz[bins], psd[bins])


def _worst(analysis: RunAnalysis, index: int, tail: Tail, time_s: float) -> WorstValue:
    zero = float(half_width(analysis.zero_variance[index], MOST_FREEDOM))
    mode = tail.in_time(float(np.exp(-1.0)), time_s).value  # the mode has -ln(-ln P) = 0
    expected, high = (
        _with_zero(tail.in_time(fractile, time_s), zero)
        for fractile in (MEAN_FRACTILE, HIGH_FRACTILE)
    )
    return WorstValue(tail, mode, expected, high)


def _with_zero(value: Interval, half: float) -> Interval:
    """With what the wind-off zeros leave in the mean, which extremes lie about."""
    if value.low is None or value.high is None:
        return value
    low, high = np.hypot(value.value - value.low, half), np.hypot(value.high - value.value, half)
    return Interval(value.value, value.value - float(low), value.value + float(high))


def _peak_factor(shape: SpectralShape, found: RecordExtremes, time_s: float) -> PeakFactor | None:
    periods = shape.mean_frequency_hz * time_s
    if periods <= 1:
        return None
    factor, scatter = davenport(periods)
    own = grouped(periods, shape.bandwidth)
    return PeakFactor(
        periods,
        shape.bandwidth,
        factor,
        scatter,
        own,
        _why_not(periods, factor, own, found, time_s),
    )


def _why_not(
    periods: float, factor: float, own: float, found: RecordExtremes, time_s: float
) -> str | None:
    """What speaks against Davenport's peak factor, worst first."""
    against = []
    tails = [tail.in_time(MEAN_FRACTILE, time_s) for tail in (found.largest, found.smallest)]
    mean, rms = found.largest.mean, found.largest.rms
    outside = [
        f"the {name} value"
        for name, sign, tail in zip(("largest", "smallest"), (1, -1), tails, strict=True)
        if not (tail.low or -np.inf) <= mean + sign * factor * rms <= (tail.high or np.inf)
    ]
    if periods < FEWEST_PERIODS:
        against.append(f"the time holds {periods:.0f} mean periods alone")
    if outside:
        against.append(f"it lies outside the interval of {' and of '.join(outside)}")
    if factor > own * (1 + GROUPING):
        against.append("crests come in groups")
    return "; ".join(against) or None


def _full_scale(
    analysis: RunAnalysis, quantity: Quantity, speed: float | None
) -> tuple[float | None, str | None]:
    """What takes a coefficient to the full-size car at a road speed, and its unit."""
    if speed is None or analysis.model is None or quantity.unit != "1":
        return None, None
    car = FullScale.of(analysis.model)
    pressure = float(car.dynamic_pressure_pa(speed))
    if quantity.measures in FORCES:
        return pressure * car.area_m2, "N"
    if quantity.measures in MOMENTS:
        return pressure * car.area_m2 * car.wheelbase_m, "N m"
    return (pressure, "Pa") if quantity.measures in PRESSURES else (None, None)


def _chance(quantities: tuple[QuantityExtremes, ...], load: Load, time_s: float) -> LoadChance:
    one = next((q for q in quantities if q.quantity.name == load.quantity), None)
    one = one or next((q for q in quantities if q.quantity.measures == load.quantity), None)
    if one is None:
        return LoadChance(load, True, None, "the run has no such quantity")
    if one.largest is None or one.smallest is None:
        return LoadChance(load, True, None, one.why)
    level = load.value
    if load.unit != one.quantity.unit:
        if one.full_scale is None or load.unit != one.full_scale_unit:
            wanted = one.full_scale_unit or one.quantity.unit
            named = "a coefficient" if wanted == "1" else f"a value in {wanted}"
            more = "" if one.full_scale_unit else " or a road speed"
            why = f"{named}{more} is wanted"
            return LoadChance(load, True, None, why)
        level /= one.full_scale
    is_above = level >= one.largest.tail.mean
    tail = one.largest.tail if is_above else one.smallest.tail
    return LoadChance(load, is_above, tail.chance(level, time_s), None)
