"""What is not known of the car, carried to what is felt in it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from buffet.rating.ride_metrics import RideSetting
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import ReducedSpectra
from buffet.spectral.uncertainty import Resampling, Unseen, run_seed
from buffet.vehicle import draw_vehicles, spread_of

Array = NDArray[np.float64]

CAR = "the car"
# Cars drawn, more than there are keys to spread, and road speeds at which each is tried, the
# rated one besides; over road speed what they make of it changes slowly.
DRAWS, SPEEDS = 24, 3
COARSER = 4  # points to an octave: a quarter of the rated car's, alike for all


@dataclass(frozen=True)
class DrawnCars:
    """The car itself and cars as its spread lets it be, each at a few road speeds."""

    setting: RideSetting  # all cars at one of the tried speeds after those at another
    tried_m_s: Array  # (n_tried,)

    def unseen(self, squares: Array, speeds_m_s: Array) -> Unseen:
        """`car_unseen` of mean squares over `setting.speeds_m_s`, ``(n_tried * (1 + n_cars),)``."""
        by_car = squares.reshape(len(self.tried_m_s), -1).T
        return car_unseen(by_car, self.tried_m_s, speeds_m_s)


def drawn_cars(setting: RideSetting) -> DrawnCars | None:
    """They are the same for all configurations; none where nothing is uncertain."""
    if not any(spread_of(setting.vehicle)[0].values()):
        return None
    drawn = draw_vehicles(setting.vehicle, DRAWS, run_seed(setting.vehicle.name, "car"))
    cars = (setting.vehicle, *drawn)
    tried = tried_setting(setting)
    at = np.repeat(tried.speeds_m_s, len(cars))
    each = cars * len(tried.speeds_m_s)
    return DrawnCars(replace(tried, speeds_m_s=at, cars=each), tried.speeds_m_s)


def tried_setting(setting: RideSetting) -> RideSetting:
    """The same at a few road speeds and coarser, where results are only held against each other."""
    return replace(setting, speeds_m_s=setting.tried_m_s(SPEEDS), coarser=COARSER)


def car_unseen(values: Array, at_m_s: Array, speeds_m_s: Array) -> Unseen:
    """What the car's spread makes of the logarithm of a motion's variance: its mean and variance.

    The mean over the cars is not the stated car's: a mode near which the wake sheds is near it in
    that one alone (JCGM 101:2008, 7.6, propagation of distributions).

    Parameters
    ----------
    values : (1 + n_cars, n_tried), that variance in the car itself and in each drawn one; 0 where
        the car does not tell it
    at_m_s : (n_tried,), where it was tried
    speeds_m_s : (n_speeds,), where it is wanted
    """
    known = np.where(values > 0, values, np.nan)
    enough = (np.sum(values[1:] > 0, axis=0) > DRAWS // 2) & (values[0] > 0)
    logs = np.log(known[:, enough])
    scatter, shift = np.zeros((2, values.shape[1]))
    scatter[enough] = np.nanvar(logs[1:], axis=0, ddof=1)
    shift[enough] = np.nanmean(logs[1:], axis=0) - logs[0]
    draws = np.zeros((len(values) - 1, values.shape[1]))
    draws[:, enough] = np.where(np.isnan(logs[1:]), shift[enough], logs[1:] - logs[0])
    variance, moved, *each = (np.interp(speeds_m_s, at_m_s, o) for o in (scatter, shift, *draws))
    return Unseen(variance, source=CAR, shift=moved, draws=np.array(each))


def averaged(run: RunAnalysis) -> RunAnalysis:
    """The run with its mean spectrum as the only one, which is all that another car needs."""
    alone = Resampling(np.ones((1, 1)), 1.0)
    return replace(
        run,
        signal=_mean(run.signal),
        noise=tuple(
            replace(floor, spectra=_mean(floor.spectra), resampling=alone) for floor in run.noise
        ),
        resamplings=dict.fromkeys(run.resamplings, alone),
    )


def _mean(spectra: ReducedSpectra) -> ReducedSpectra:
    weights = spectra.group_segments
    return replace(
        spectra,
        group_segments=np.ones(1),
        group_psd=spectra.psd[None],
        group_matrix=np.average(spectra.group_matrix, axis=0, weights=weights)[None],
        group_mean=np.zeros((1, len(spectra.quantities))),
    )
