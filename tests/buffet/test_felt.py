"""What is felt at the seat, against the car moved in time and weighted by the printed factors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import resample

from buffet.analysis import analyse
from buffet.interval import Interval
from buffet.one_pass import AnalysisSettings
from buffet.perception import weighted_in_time
from buffet.rating.felt import Felt
from buffet.rating.rate import FOR_RATING, RatingSettings, rate
from ingest import open_campaign
from tests.buffet.campaigns import RATE_HZ, PlantedRun, write_runs
from tests.buffet.car_in_time import FINER, Motion
from tests.buffet.lateral_in_time import SideMotion, pushed_aside
from tests.buffet.test_rating_chain import (
    AREA_M2,
    CAR,
    EXACT,
    FREQUENCY_RATIO,
    ROAD_DENSITY,
    SPEED_M_S,
    WHEELBASE_M,
    on_the_road,
    side_samples,
    weighted_rms,
)

Array = NDArray[np.float64]

STEP_S = 1 / (RATE_HZ * FREQUENCY_RATIO * FINER)


@dataclass(frozen=True)
class Case:
    """What the program says, and both motions in time."""

    felt: Felt
    upright: Motion
    aside: SideMotion

    @property
    def by_roll_m_s2(self) -> Array:
        """Up and down at a seat beside the middle."""
        omega = 2 * np.pi * np.fft.rfftfreq(len(self.aside.roll_rad), STEP_S)
        rise = CAR.seat_at_m[1] * omega**2 * np.fft.rfft(self.aside.roll_rad)
        return np.asarray(np.fft.irfft(rise, len(omega) * 2 - 2))


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """Lift, pitch, side force and yaw moment that follow one another."""
    samples = side_samples()
    folder = write_runs(tmp_path_factory.mktemp("felt") / "c", [PlantedRun("1", samples)])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("buffet.rating.rate.shows_shedding", lambda quantity: False)
        analysis = analyse(open_campaign(folder), settings=AnalysisSettings(keeps=FOR_RATING))
        settings = RatingSettings(SPEED_M_S, up_to_m_s=30 / 3.6, vehicle=EXACT)
        (one,) = rate(analysis, settings).configurations
    load_n = 0.5 * ROAD_DENSITY * SPEED_M_S**2 * AREA_M2
    unsteady = {word: load_n * (value - value.mean()) for word, value in samples.items()}
    still = np.zeros_like(unsteady["lift"])
    loads = np.stack([unsteady["side force"], still, WHEELBASE_M * unsteady["yaw moment"]], axis=1)
    fine = np.asarray(resample(loads, FINER * len(loads), axis=0))
    aside = pushed_aside(CAR, SPEED_M_S, STEP_S, fine, CAR.seat_at_m)
    assert one.curves.felt is not None
    return Case(one.curves.felt, on_the_road(samples), aside)


def holds(interval: Interval, expected: float, within: float) -> None:
    """Within its interval, and this near."""
    assert interval.low is not None
    assert interval.high is not None
    assert interval.low <= expected <= interval.high
    assert interval.value == pytest.approx(expected, rel=within)


def test_each_axis_is_that_of_the_car_moved_in_time(case: Case) -> None:
    """Wd across, Wk upright, We about each axis, from the printed factors."""
    turning = np.gradient(case.aside.yaw_rate_rad_s, STEP_S)
    rolling = np.gradient(np.gradient(case.aside.roll_rad, STEP_S), STEP_S)
    band_hz = (0.5, 20.0)
    expected = {
        "y": weighted_rms(case.aside.seat_y_m_s2, STEP_S, band_hz, "Wd"),
        "z": weighted_rms(case.upright.seat_m_s2 + case.by_roll_m_s2, STEP_S, (1.0, 20.0), "Wk"),
        "pitch": weighted_rms(case.upright.pitch_rad_s2, STEP_S, band_hz, "We"),
        "yaw": weighted_rms(turning, STEP_S, band_hz, "We"),
        "roll": weighted_rms(rolling, STEP_S, band_hz, "We"),
    }
    for axis, value in expected.items():
        # Bins of a third of a hertz smear the peak of the response across the car.
        holds(case.felt.axes[axis], value, 0.03 if axis in ("z", "pitch") else 0.05)
    assert set(case.felt.axes) == set(expected)
    assert "drag" in case.felt.missing["x"]
    # ISO 2631-1:1997 8.2.2.1: factors of the seat, 1 along and 0.63, 0.4, 0.2 m/rad about.
    factors = {"y": 1.0, "z": 1.0, "roll": 0.63, "pitch": 0.4, "yaw": 0.2}
    total = np.sqrt(sum((factors[axis] * value) ** 2 for axis, value in expected.items()))
    holds(case.felt.total, float(total), 0.03)


def test_measures_over_time_are_those_of_the_filter_in_time(case: Case) -> None:
    """Largest second, dose and crest factor of the weighted history, by ISO 8041-1's filter."""
    upright = case.upright.seat_m_s2 + case.by_roll_m_s2
    weighted = weighted_in_time("Wk", np.tile(upright, 2), 1 / STEP_S)[len(upright) :]
    second = round(1 / STEP_S)
    running = np.sqrt(np.convolve(weighted**2, np.ones(second) / second, "valid"))
    shaking = case.felt.shaking
    assert shaking is not None
    assert shaking.duration_s == pytest.approx(len(upright) * STEP_S - 2, abs=0.1)
    # The car's answer below 1 and above 20 Hz is in the filter's history alone.
    assert shaking.rms_m_s2 == pytest.approx(weighted.std(), rel=0.03)
    assert shaking.largest_running_rms_m_s2 == pytest.approx(running.max(), rel=0.05)
    dose = (np.sum(weighted**4) * STEP_S) ** 0.25
    assert shaking.dose_m_s1_75 == pytest.approx(dose, rel=0.03)
    crest = shaking.tests[0]
    assert float(crest.value[0]) == pytest.approx(np.abs(weighted).max() / weighted.std(), rel=0.08)


def test_perception_and_reaction(case: Case) -> None:
    """Half of the people feel a peak of 0.015 m/s² (C.3): 0.0106 r.m.s. of a sine."""
    assert case.felt.over_threshold == pytest.approx(case.felt.axes["z"].value / 0.010607, rel=1e-3)
    assert case.felt.total.value < 0.315
    assert [one.words for one in case.felt.reactions] == ["not uncomfortable"]
