"""A configuration's own frequency, over all its runs, beside the car's modes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from buffet.interval import NORMAL_HALF_WIDTH, Interval
from buffet.rating.configuration import ConfigurationCurves
from buffet.run_spectra import RunResult
from buffet.spectral.uncertainty import log_error


@dataclass(frozen=True)
class Shedding:
    """The configuration's own frequency and how close it comes to a mode of the car."""

    strouhal: Interval
    frequency_hz: float  # at the rated road speed
    mode: str  # nearest mode
    mode_hz: float

    @property
    def distance(self) -> float:
        """Shedding frequency over the mode's, less one."""
        return self.frequency_hz / self.mode_hz - 1


def shedding(
    curves: ConfigurationCurves, results: Sequence[RunResult], speed_m_s: float
) -> Shedding | None:
    """The configuration's Strouhal number over its runs and the car's nearest mode."""
    own = [
        result.strouhal
        for result in results
        if result.analysis.run.configuration == curves.name and result.strouhal is not None
    ]
    if not own:
        return None
    strouhal = pooled(own)
    frequency = strouhal.value * speed_m_s / curves.setting.full_scale.strouhal_length_m
    modes = curves.setting.car.ride.modes
    nearest = min(modes, key=lambda m: abs(np.log(frequency / m.natural_frequency_hz)))
    return Shedding(strouhal, frequency, nearest.name, nearest.natural_frequency_hz)


def pooled(intervals: Sequence[Interval]) -> Interval:
    """Weighted mean of positive values on the log scale, widened where they scatter more.

    Weights are inverse variances; the widening is Birge's ratio (Birge 1932, Phys. Rev. 40, 207).
    """
    logs = np.log([interval.value for interval in intervals])
    errors = [log_error(interval) for interval in intervals]
    weights = 1 / np.maximum(np.square(errors), 1e-12)
    mean = float(np.average(logs, weights=weights))
    variance = 1 / float(weights.sum())
    if len(logs) > 1:
        variance *= max(1.0, float(weights @ (logs - mean) ** 2) / (len(logs) - 1))
    half = NORMAL_HALF_WIDTH * np.sqrt(variance)
    return Interval(float(np.exp(mean)), float(np.exp(mean - half)), float(np.exp(mean + half)))
