"""Onset speed of simulated records through the whole rating, and its exact value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.interval import Interval
from buffet.rating.configuration import configuration_curves
from buffet.rating.criteria import Criteria, read_criteria
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.motions import Family
from buffet.rating.onset import onset
from buffet.rating.ride_metrics import RideSetting
from buffet.rating.seat_scatter import rating_scatter
from buffet.road_speed import FullScale
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import Resampling, Unseen
from buffet.vehicle import GOOD_MOTORWAY, typical_car
from tests.thorough.records import RATE_HZ, Kind
from tests.thorough.simulated import MODEL, CampaignKind, campaigns

Array = NDArray[np.float64]

ROW = "vertical-over-road"
NOTHING: dict[Family, tuple[Unseen, ...]] = {"vertical": (), "lateral": ()}
ONSET_M_S = 100 / 3.6  # where the records' lift is scaled to have its onset
SPEEDS_M_S = np.arange(55.0, 186.0, 10.0) / 3.6
FINE_HZ = 0.05  # steps in which the true spectrum is summed, an eighth of the records' own


@dataclass(frozen=True)
class OnsetScene:
    """A car and a road on which records of one kind reach their limit at a known speed."""

    setting: RideSetting
    criteria: Criteria
    truth_m_s: float

    @classmethod
    def of(cls, kind: Kind) -> OnsetScene:
        """Scaled so that the spectrum itself, without a record, crosses near `ONSET_M_S`.

        The metric rises with lift per coefficient, so the car's area is what is scaled.
        """
        criteria = read_criteria()
        row = next(row for row in criteria.rows if row.id == ROW)
        criteria = replace(criteria, rows=(replace(row, silent_below_m_s2=0.0),))
        whole = FullScale.of(MODEL)
        exact = exact_run(kind)
        probe = only_curve([exact], _setting(whole), criteria, NOTHING)
        assert probe.estimate is not None
        there = float(np.interp(ONSET_M_S, SPEEDS_M_S, probe.estimate.value))
        setting = _setting(replace(whole, area_m2=whole.area_m2 * row.possible / there))
        found = onset(only_curve([exact], setting, criteria, NOTHING), SPEEDS_M_S, SPEEDS_M_S[-1])
        assert found.speed_m_s is not None
        return cls(setting, criteria, found.speed_m_s.value)

    def onset(self, analysis: CampaignAnalysis, name: str) -> tuple[Interval | None, float, bool]:
        """Interval of one configuration, the truth, and whether it may be told."""
        runs = analysis.of(name)
        spread = rating_scatter(analysis, self.setting, ONSET_M_S)
        unseen = {family: own.unseen(name, len(runs)) for family, own in spread.items()}
        curve = only_curve(runs, self.setting, self.criteria, unseen)
        assert curve.estimate is not None
        found = onset(curve, SPEEDS_M_S, SPEEDS_M_S[-1])
        return found.speed_m_s, self.truth_m_s, curve.estimate.reliable


def _setting(whole: FullScale) -> RideSetting:
    car = typical_car(whole.wheelbase_m)
    return RideSetting(car, GOOD_MOTORWAY, whole, SPEEDS_M_S)


def only_curve(
    runs: Sequence[RunAnalysis],
    setting: RideSetting,
    criteria: Criteria,
    unseen: Mapping[Family, Sequence[Unseen]],
) -> MetricCurve:
    """Of the criteria's only row."""
    (curve,) = configuration_curves("a", runs, setting, criteria, unseen).metrics
    return curve


def exact_run(kind: Kind) -> RunAnalysis:
    """A run whose spectrum is the true one on fine bins, without scatter."""
    (analysis,) = campaigns(CampaignKind("exact", kind), 1, np.random.default_rng(0))
    frequency = np.arange(0, RATE_HZ / 2, FINE_HZ)
    density = kind.spectrum(frequency)
    run = analysis.runs[0]
    signal = replace(
        run.signal,
        frequency_hz=frequency,
        frequency_step_hz=FINE_HZ,
        group_segments=np.ones(1),
        group_psd=density[None, None],
        group_matrix=density[None, :, None, None].astype(complex),
        gain=np.ones((1, len(frequency)), complex),
    )
    alone = Resampling(np.ones((3, 1)), 1000.0)
    return replace(run, signal=signal, resamplings=dict.fromkeys(run.resamplings, alone))
