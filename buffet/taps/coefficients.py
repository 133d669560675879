"""Mean, RMS and largest and smallest values of each pressure tap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from buffet.interval import Interval
from buffet.quantity_samples import quantity_samples, true_to_hz
from buffet.run_analysis import NO_COPY
from buffet.run_spectra import RunResult
from buffet.taps.tap_spectra import stated


@dataclass(frozen=True)
class TapValues:
    """One tap; pressures are coefficients where the wind is known."""

    name: str
    unit: str
    at_m: tuple[float, float, float] | None
    row: str | None
    mean: Interval
    rms: Interval | None  # None where nothing rises above the wind-off noise
    largest: float | None  # observed over the record, up to `peaks_to_hz`
    smallest: float | None
    peaks_to_hz: float | None
    peaks_why: str | None  # why they are not known


def tap_values(result: RunResult, taps: Sequence[int]) -> tuple[TapValues, ...]:
    """Of the run's quantities `taps`."""
    analysis = result.analysis
    found = []
    for index in taps:
        channel, told = stated(analysis, index), result.quantities[index]
        smallest = largest = None
        to_hz = true_to_hz(analysis, index)
        if to_hz is not None:
            samples = quantity_samples(analysis, [index])
            if samples.size:
                smallest, largest = float(samples.min()), float(samples.max())
            else:
                to_hz = None
        found.append(
            TapValues(
                told.quantity.name,
                told.quantity.unit,
                channel.at_m,
                channel.row,
                told.mean,
                told.rms,
                largest,
                smallest,
                to_hz,
                NO_COPY if to_hz is None else None,
            )
        )
    return tuple(found)
