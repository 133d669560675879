"""A configuration's own frequency, over all its runs, beside the car's modes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from buffet.crossings.meeting import Crossings, crossings
from buffet.crossings.modes import families_of, resonates
from buffet.crossings.rays import family_of, rays
from buffet.interval import Interval
from buffet.rating.configuration import ConfigurationCurves
from buffet.rating.motions import Family
from buffet.run_spectra import RunResult
from buffet.spectral.uncertainty import pooled

NO_MODE = "no mode of the car that such a force pushes resonates at this speed"


@dataclass(frozen=True)
class Shedding:
    """The configuration's own frequency and how close it comes to a mode of the car."""

    strouhal: Interval
    frequency_hz: float  # at the rated road speed
    mode: str | None  # nearest of those that the component pushes; None where none resonates
    mode_hz: float | None

    @property
    def distance(self) -> float | None:
        """Shedding frequency over the mode's, less one."""
        return None if self.mode_hz is None else self.frequency_hz / self.mode_hz - 1


def shedding(
    curves: ConfigurationCurves, results: Sequence[RunResult], speed_m_s: float
) -> Shedding | None:
    """The configuration's Strouhal number over its runs and the car's nearest mode."""
    own = [
        result
        for result in results
        if result.analysis.run.configuration == curves.name and result.strouhal is not None
    ]
    if not own:
        return None
    strouhal = pooled([result.strouhal for result in own if result.strouhal is not None])
    frequency = strouhal.value * speed_m_s / curves.setting.full_scale.strouhal_length_m
    families = {family for result in own if (family := _family(result)) is not None}
    modes = [
        mode
        for mode in curves.setting.car.modes(speed_m_s)
        if resonates(mode) and (not families or families & set(families_of(mode)))
    ]
    nearest = min(
        modes, key=lambda m: abs(np.log(frequency / m.natural_frequency_hz)), default=None
    )
    if nearest is None:
        return Shedding(strouhal, frequency, None, None)
    return Shedding(strouhal, frequency, nearest.name, nearest.natural_frequency_hz)


def _family(result: RunResult) -> Family | None:
    """Of the component that shows the run's own frequency; None of a pressure."""
    assert result.fundamental is not None
    channel = result.fundamental.channel
    measures = (q.quantity.measures for q in result.quantities if q.quantity.name == channel)
    return next((family for word in measures if (family := family_of(word))), None)


def configuration_crossings(
    curves: ConfigurationCurves, results: Sequence[RunResult], speed_m_s: float
) -> Crossings:
    """Where its peaks meet the car's modes within the road speeds of the search."""
    rated = {run.run.number for run in curves.runs}
    own = [result for result in results if result.analysis.run.number in rated]
    found = rays(own, curves.setting.full_scale.strouhal_length_m)
    modes = curves.setting.mode_curves
    speeds = curves.setting.speeds_m_s
    searched = float(speeds[0]), float(speeds[-1])
    return Crossings(found, modes, crossings(found, modes, speed_m_s), searched)
