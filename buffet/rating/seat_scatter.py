"""How far repeats lie apart in what the driver would feel of them."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from buffet.analysis import CampaignAnalysis
from buffet.rating.ride_metrics import RIDE_INPUTS, RideSetting, RunMotion
from buffet.rating.scatter import Observation, Scatter, log_observation, log_variance, scatter
from buffet.road_speed import RoadBand
from buffet.run_analysis import RunAnalysis

# Band of the seat's weighted acceleration, road hertz.
VERTICAL_BAND_HZ = (1.0, 20.0)


def rating_scatter(analysis: CampaignAnalysis, setting: RideSetting, speed_m_s: float) -> Scatter:
    """Scatter from run to run of the seat's acceleration, and over wind speeds of lift.

    Lift as a whole may scatter by what the seat does not follow (a wake that changes its state
    every few seconds); over the wind speeds runs reach different road frequencies, so that only
    a coefficient can be compared.
    """
    there = replace(setting, speeds_m_s=np.array([speed_m_s]))
    over_speed = scatter(analysis, partial(log_variance, word="lift")).over_speed
    seat = scatter(analysis, partial(_seat_log_variance, setting=there))
    return replace(seat, over_speed=over_speed)


def _seat_log_variance(run: RunAnalysis, setting: RideSetting) -> Observation | None:
    words = tuple(
        word
        for word in RIDE_INPUTS
        if word in run.signal.components and run.fluctuation(word) is not None
    )
    if "lift" not in words:
        return None
    band = RoadBand.of([run], words, setting.speeds_m_s)
    low, high = (np.array([edge]) for edge in VERTICAL_BAND_HZ)
    motion = RunMotion(setting, run, 0, band, words)
    samples = motion.variances(setting.seat_rows, low, high)[:, 0, 0]
    return log_observation(samples, run.vertical.blocks)
