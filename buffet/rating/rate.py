"""Rate every configuration of a campaign at a road speed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis, Progress
from buffet.crossings.meeting import Crossings
from buffet.errors import NotRateableError
from buffet.following import follow
from buffet.one_pass import Keep
from buffet.peak_search import shows_shedding
from buffet.rating.car_spread import drawn_cars
from buffet.rating.configuration import ConfigurationCurves, configuration_curves
from buffet.rating.criteria import WORST_FIRST, Criteria, Verdict, read_criteria
from buffet.rating.motions import RIDE, Family
from buffet.rating.onset import HIGHEST_SPEED_M_S, Onset, onset, search_speeds
from buffet.rating.remarks import remarks
from buffet.rating.ride_metrics import RideSetting
from buffet.rating.scatter import Scatter
from buffet.rating.seat_scatter import rating_scatter
from buffet.rating.shedding import Shedding, configuration_crossings, shedding
from buffet.rating.verdict import CriterionRating, rate_criterion, worst
from buffet.rating.wind import YawDistribution
from buffet.rating.wording import explain
from buffet.rating.yaw_mix import YawAtSpeed, rated_runs, yaw_mix
from buffet.road_speed import FullScale, full_scale
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import RunResult, run_result
from buffet.shown import Shown
from buffet.spectral.uncertainty import Unseen
from buffet.switching.force_states import campaign_states
from buffet.vehicle import GOOD_MOTORWAY, Road, named_car, road_track_m, typical_car
from ingest import (
    Campaign,
    Finding,
    SheetError,
    SheetFault,
    Vehicle,
    wheelbase_problem,
)

Array = NDArray[np.float64]
Item = TypeVar("Item")

# What the one pass is to keep for a rating; without it bursts and changes of state are not rated.
FOR_RATING: frozenset[Keep] = frozenset({"forces"})
NOT_COVERED = "no criterion is covered, with enough record behind it, at any road speed"


@dataclass(frozen=True)
class RatingSettings:
    """What the user may choose."""

    speed_m_s: float
    more_speeds_m_s: tuple[float, ...] = ()  # of a table
    up_to_m_s: float = HIGHEST_SPEED_M_S
    criteria: Criteria | None = None  # the package's own
    road: Road = GOOD_MOTORWAY
    vehicle: Vehicle | None = None  # in place of the campaign's, from `chosen_car`
    wind: YawDistribution | None = None  # None: still air


@dataclass(frozen=True)
class ConfigurationRating:
    """One configuration at the rated road speed."""

    name: str
    verdict: Verdict
    why: str
    remarks: tuple[str, ...]  # the last sentences of `why`
    onset: Onset | None  # of the criterion that comes first
    onset_why: str
    usable_band_hz: tuple[float, float]
    criteria: tuple[CriterionRating, ...]
    shedding: Shedding | None
    crossings: Crossings
    # Relative standard deviation of lift RMS between wind speeds; None where there is but one.
    speed_spread: float | None
    model_reynolds: tuple[float, float] | None
    curves: ConfigurationCurves
    wind: YawAtSpeed | None = None  # None: in still air

    @property
    def decisive(self) -> CriterionRating | None:
        """The row that set the verdict."""
        return worst(self.criteria)


@dataclass(frozen=True)
class Rating(Shown):
    """All configurations at one road speed, worst first."""

    analysis: CampaignAnalysis
    results: tuple[RunResult, ...]
    speed_m_s: float
    up_to_m_s: float
    vehicle: Vehicle
    road: Road
    full_scale: FullScale
    criteria: Criteria
    configurations: tuple[ConfigurationRating, ...]
    car_chosen: bool = False  # in place of the campaign's
    with_tunnel: Rating | None = None  # of the runs as read, where the tunnel's part is taken out
    wind: YawDistribution | None = None  # None: still air

    def as_read(self, name: str) -> ConfigurationRating | None:
        """A configuration with the tunnel's part in; None where it was not taken out."""
        every = self.with_tunnel.configurations if self.with_tunnel else ()
        return next((one for one in every if one.name == name), None)

    @property
    def road_track_m(self) -> float | None:
        """Distance of the road's tracks, the car's own; None where both are taken alike."""
        return road_track_m(self.vehicle)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of the recordings, and what of the spectra is not flow."""
        return (*self.analysis.findings, *(one for result in self.results for one in result.rig))

    @property
    def left_out(self) -> tuple[str, ...]:
        """Configurations of which no run could be read."""
        names = {configuration.name for configuration in self.configurations}
        every = self.analysis.campaign.configurations
        return tuple(name for name in every if name not in names)

    @property
    def has_comparison(self) -> bool:
        """Whether there is a baseline to compare with."""
        names = {configuration.name for configuration in self.configurations}
        return self.analysis.campaign.baseline in names

    @property
    def road_reynolds(self) -> float:
        """On the Strouhal length at the rated speed."""
        return self.full_scale.reynolds(self.speed_m_s)


def require_rateable(campaign: Campaign) -> None:
    """Refuse before any recording is read.

    Raises
    ------
    NotRateableError
        There is no [model], or no wind-on run.
    """
    full_scale(campaign)
    if not campaign.wind_on:
        raise NotRateableError(
            f"{campaign.folder}: there is no wind-on run, so there is nothing to rate; "
            'state kind = "wind-on" in the sheets of the runs with wind'
        )


def rate(
    analysis: CampaignAnalysis,
    settings: RatingSettings,
    progress: Progress = lambda text: None,
) -> Rating:
    """Rate all configurations at `settings.speed_m_s`.

    Parameters
    ----------
    progress : called with one line before each run and configuration

    Raises
    ------
    NotRateableError
        There is no [model], no wind-on run that could be read, or a run has no wind speed.
    """
    campaign = analysis.campaign
    whole = full_scale(campaign)
    if not analysis.runs:
        lost = "\n".join(f"  run {failure.run}: {failure.error}" for failure in analysis.failed)
        raise NotRateableError(
            f"{campaign.folder}: no wind-on run could be read, so there is nothing to rate:\n{lost}"
        )
    criteria = settings.criteria or read_criteria()
    vehicle = settings.vehicle or car_of(campaign)
    setting = _setting(vehicle, whole, settings)
    names = [name for name in campaign.configurations if analysis.of(name)]
    runs = {name: rated_runs(analysis.of(name), settings.wind) for name in names}
    counted = replace(analysis, runs=tuple(run for own in runs.values() for run in own))
    spread = rating_scatter(counted, setting, settings.speed_m_s)
    results = follow(
        [
            run_result(run, shows_shedding)
            for run in _told(analysis.runs, "peaks of run", lambda run: run.run.number, progress)
        ]
    )
    drawn = drawn_cars(setting)
    states = campaign_states(runs, RIDE)
    unseen = {name: _unseen(spread, name, own, setting) for name, own in runs.items()}
    curves = [
        configuration_curves(
            name,
            own,
            setting,
            criteria,
            unseen[name],
            drawn,
            states.get(name),
            settings.speed_m_s,
        )
        for name, own in _told(tuple(runs.items()), "rating", lambda item: item[0], progress)
    ]
    rated = [_rate_one(c, settings, criteria, spread, results, analysis) for c in curves]
    return Rating(
        analysis,
        results,
        settings.speed_m_s,
        settings.up_to_m_s,
        vehicle,
        settings.road,
        whole,
        criteria,
        tuple(sorted(rated, key=_worst_first)),
        settings.vehicle is not None,
        wind=settings.wind,
    )


def _told(
    items: Sequence[Item], what: str, name: Callable[[Item], str], progress: Progress
) -> Iterator[Item]:
    """The items, each told before it is worked on."""
    for position, item in enumerate(items, 1):
        progress(f"{what} {name(item)} ({position} of {len(items)})")
        yield item


def _setting(vehicle: Vehicle, whole: FullScale, settings: RatingSettings) -> RideSetting:
    asked = np.array([settings.speed_m_s, *settings.more_speeds_m_s])
    speeds = search_speeds(asked, settings.up_to_m_s)
    wind, rated_m_s = settings.wind, settings.speed_m_s
    return RideSetting(vehicle, settings.road, whole, speeds, wind=wind, rated_m_s=rated_m_s)


def rate_without_tunnel(
    analysis: CampaignAnalysis,
    settings: RatingSettings,
    progress: Progress = lambda text: None,
) -> Rating:
    """The same without what follows the reference probes, and with it beside.

    Raises
    ------
    NoReferenceProbeError
        A run's probe never changed, or its record is too short for it.
    NotRateableError
        As `rate`.
    """
    rating = rate(analysis.without_tunnel(), settings, progress)
    return replace(rating, with_tunnel=rate(analysis, settings, progress))


def _unseen(
    spread: Mapping[Family, Scatter],
    name: str,
    runs: Sequence[RunAnalysis],
    setting: RideSetting,
) -> dict[Family, tuple[Unseen, ...]]:
    n_runs = yaw_mix(runs, setting.wind, setting.speeds_m_s).runs_behind
    return {family: own.unseen(name, n_runs) for family, own in spread.items()}


def car_of(campaign: Campaign) -> Vehicle:
    """The stated car, or a stated typical one with the model's wheelbase."""
    if campaign.vehicle is not None:
        return campaign.vehicle
    return typical_car(full_scale(campaign).wheelbase_m)


def chosen_car(campaign: Campaign, given: str) -> Vehicle:
    """A typical car by name, with the model's wheelbase, or a vehicle sheet that fits the model.

    Raises
    ------
    UnknownCarError
        It is neither.
    SheetError
        The sheet has faults, or another wheelbase than the model.
    NotRateableError
        The campaign states no model.
    """
    wheelbase_m = full_scale(campaign).wheelbase_m
    vehicle = named_car(given, wheelbase_m)
    problem = wheelbase_problem(vehicle.wheelbase_m, wheelbase_m)
    if problem is not None:
        raise SheetError(Path(given).parent, [SheetFault(given, "vehicle.wheelbase", problem)])
    return vehicle


def _rate_one(
    curves: ConfigurationCurves,
    settings: RatingSettings,
    criteria: Criteria,
    spread: Mapping[Family, Scatter],
    results: Sequence[RunResult],
    analysis: CampaignAnalysis,
) -> ConfigurationRating:
    speeds = curves.setting.speeds_m_s
    index = int(np.searchsorted(speeds, settings.speed_m_s * (1 - 1e-12)))
    onsets = [onset(curve, speeds, settings.up_to_m_s) for curve in curves.metrics]
    rows = tuple(
        rate_criterion(curve, index, criteria, own)
        for curve, own in zip(curves.metrics, onsets, strict=True)
    )
    first, onset_why = _first(onsets, settings.up_to_m_s)
    decisive = worst(rows)
    verdict: Verdict = "undetermined"
    if decisive is not None and decisive.verdict is not None:
        verdict = decisive.verdict
    shed = shedding(curves, results, settings.speed_m_s)
    wind = curves.mix.at(index)
    told = remarks(curves, analysis, results, wind, settings.speed_m_s)
    low, high = curves.band_hz
    between = spread["vertical"].over_speed.get(curves.name)
    reynolds = [run.flow.reynolds for run in curves.runs if run.flow and run.flow.reynolds]
    return ConfigurationRating(
        curves.name,
        verdict,
        explain(verdict, decisive or rows[0], shed, settings.speed_m_s, told),
        told,
        first,
        onset_why,
        (float(low[index]), float(high[index])),
        rows,
        shed,
        configuration_crossings(curves, results, settings.speed_m_s),
        float(np.sqrt(between) / 2) if between is not None else None,
        (min(reynolds), max(reynolds)) if reynolds else None,
        curves,
        wind,
    )


def _first(onsets: Sequence[Onset], up_to_m_s: float) -> tuple[Onset | None, str]:
    """The earliest onset and how to read it."""
    reached = [o for o in onsets if o.speed_m_s is not None]
    if reached:
        first = min(reached, key=lambda o: o.speed_m_s.value if o.speed_m_s else np.inf)
        return first, f"first reached by {first.criterion}{first.open_ends(up_to_m_s)}"
    searched = [o.covered_m_s for o in onsets if o.covered_m_s is not None]
    if not searched:
        return None, NOT_COVERED
    low, high = min(s[0] for s in searched), max(s[1] for s in searched)
    return None, f"none from {low * 3.6:.0f} up to {high * 3.6:.0f} km/h"


def _worst_first(rating: ConfigurationRating) -> tuple[int, float]:
    most = max((row.share for row in rating.criteria), default=0.0)
    return WORST_FIRST.index(rating.verdict), -most
