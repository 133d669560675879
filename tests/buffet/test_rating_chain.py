"""The whole chain against the car moved in time: from a logged coefficient to what is felt.

The expected values come from the planted force history itself, carried to the road by hand and
put on a car of Newton's equations, with the printed weighting factors.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import resample
from scipy.special import k1

from buffet.analysis import analyse
from buffet.interval import Interval
from buffet.rating.rate import ConfigurationRating, RatingSettings, rate
from buffet.vehicle import typical_car
from ingest import Vehicle, open_campaign
from tests.buffet.campaigns import (
    RATE_HZ,
    SCALE,
    WIND_M_S,
    PlantedRun,
    band_noise,
    write_runs,
)
from tests.buffet.car_in_time import FINER, Motion, driven, printed_factors, pushed
from tests.buffet.cars import known
from tests.buffet.lateral_in_time import pushed_aside, rolled

Array = NDArray[np.float64]

SPEED_M_S = 130 / 3.6
FREQUENCY_RATIO = SPEED_M_S / WIND_M_S * SCALE
# 20 °C, 101 325 Pa, 50 %: CIPM-2007, kg/m³ (tests/published/air.csv).
ROAD_DENSITY = 1.1993139
AREA_M2 = 0.194 / SCALE**2
WHEELBASE_M = 0.775 / SCALE
SECONDS = 60.0
UNEVENNESS_M3 = 4e-6
TRACK_M = 1.47  # of the typical car: 1.48 m in front, 1.46 m behind
CAR = typical_car(WHEELBASE_M)
EXACT = known(CAR)


def rated(folder: Path, samples: dict[str, Array], car: Vehicle = EXACT) -> ConfigurationRating:
    """The rating of a campaign of one run."""
    analysis = analyse(open_campaign(write_runs(folder, [PlantedRun("1", samples)])))
    settings = RatingSettings(SPEED_M_S, up_to_m_s=30 / 3.6, vehicle=car)
    (one,) = rate(analysis, settings).configurations
    return one


@pytest.fixture(autouse=True)
def _without_peaks(monkeypatch: pytest.MonkeyPatch) -> None:
    """In noise with sharp edges they take most of the time, and nothing here rests on them."""
    monkeypatch.setattr("buffet.rating.rate.shows_shedding", lambda quantity: False)


def on_the_road(samples: dict[str, Array], car: Vehicle = CAR) -> Motion:
    """The same coefficients as forces on the full-size car, played at the road's pace."""
    load_n = 0.5 * ROAD_DENSITY * SPEED_M_S**2 * AREA_M2
    still = np.zeros(len(samples["lift"]))
    unsteady = {word: value - value.mean() for word, value in samples.items()}
    return pushed(
        car,
        1 / (RATE_HZ * FREQUENCY_RATIO),
        load_n * unsteady.get("drag", still),
        load_n * unsteady["lift"],
        load_n * WHEELBASE_M * unsteady.get("pitch moment", still),
    )


def road_profile(step_s: float, n: int, *, slope: bool = False) -> Array:
    """Unevenness of ISO 8608's form, G(n0) (n/n0)^-2 at n0 = 0.1 cycle/m, lines of exact power.

    It is the mean of two tracks of an isotropic surface, whose shares in common are x K_1(x), or
    their difference over the track.
    """
    frequency_hz = np.fft.rfftfreq(n, step_s)[1:]
    density = UNEVENNESS_M3 * (frequency_hz / SPEED_M_S / 0.1) ** -2 / SPEED_M_S
    x = 2 * np.pi * frequency_hz / SPEED_M_S * TRACK_M
    density *= (1 - x * k1(x)) * 2 / TRACK_M**2 if slope else (1 + x * k1(x)) / 2
    line = np.sqrt(density / (n * step_s) / 2)  # a line of amplitude a holds a²/2 = 2 |X/n|²
    phase = np.random.default_rng(9 if slope else 8).uniform(0, 2 * np.pi, len(line))
    return np.fft.irfft(np.concatenate([[0], n * line * np.exp(1j * phase)]), n)


def metric(one: ConfigurationRating, criterion: str) -> Interval:
    """A criterion's metric."""
    (row,) = [row for row in one.criteria if row.criterion.id == criterion]
    assert row.metric is not None
    return row.metric


def agrees(interval: Interval, expected: float) -> None:
    """Within its interval, and the interval no wider than 12 % to either side."""
    assert interval.low is not None
    assert interval.high is not None
    assert interval.low <= expected <= interval.high
    assert interval.value == pytest.approx(expected, rel=0.03)
    assert interval.high / interval.low < 1.25


def white_lift(seed: int) -> dict[str, Array]:
    """A lift coefficient of 0.03 RMS, white from 1 to 74 Hz (0.3 to 20 Hz on the road)."""
    moment = band_noise(seed + 1, 0.005, SECONDS, 1.0, 74.0)
    return {"lift": 0.1 + band_noise(seed, 0.03, SECONDS, 1.0, 74.0), "pitch moment": moment}


def shed_lift(seed: int) -> dict[str, Array]:
    """Narrow shedding at 5 Hz on the road, on the rear axle, with drag half in step."""
    lift = band_noise(seed, 0.03, SECONDS, 17.0, 20.0)
    drag = 0.3 * lift + band_noise(seed + 1, 0.01, SECONDS, 1.0, 74.0)
    return {"drag": 0.32 + drag, "lift": lift, "pitch moment": -0.45 * lift}


CASES = {"white lift": white_lift(11), "shedding": shed_lift(12)}


@pytest.fixture(scope="module")
def motions() -> dict[str, Motion]:
    """The expected motions."""
    return {name: on_the_road(samples) for name, samples in CASES.items()}


@pytest.mark.parametrize("name", CASES)
def test_seat_acceleration_and_rear_load(
    name: str, motions: dict[str, Motion], tmp_path: Path
) -> None:
    """Wk at the seat from 1 to 20 Hz and the rear axle's load from 0.5 to 15 Hz."""
    one = rated(tmp_path / "c", CASES[name])
    motion = motions[name]

    agrees(metric(one, "vertical-comfort"), motion.seat_rms(1.0, 20.0))
    rear = motion.band_rms(motion.rear_load_percent, 0.5, 15.0, False)
    agrees(metric(one, "rear-load"), rear)


@pytest.mark.parametrize("name", CASES)
def test_aerodynamic_over_road(name: str, motions: dict[str, Motion], tmp_path: Path) -> None:
    """The largest ratio of all octaves between 1 and 20 Hz, road and wake on the same car."""
    one = rated(tmp_path / "c", CASES[name])
    step_s = 1 / 64.0
    n = round(400 / step_s)
    heave = driven(CAR, step_s, SPEED_M_S, road_profile(step_s, n))
    slope = road_profile(step_s, n, slope=True)
    roll = replace(
        heave,
        step_s=step_s,
        seat_m_s2=rolled(CAR, SPEED_M_S, step_s, slope, CAR.seat_at_m[1]),
    )
    low_hz = np.geomspace(1.0, 10.0, 41)
    road = [np.hypot(*(one.seat_rms(f, 2 * f) for one in (heave, roll))) for f in low_hz]
    ratios = [motions[name].seat_rms(f, 2 * f) / r for f, r in zip(low_hz, road, strict=True)]

    agrees(metric(one, "vertical-over-road"), max(ratios))


def test_pitch_moment_that_is_not_measured_counts_as_none(tmp_path: Path) -> None:
    """Without it the lift acts at mid-wheelbase, which the sentence says, and no axle is rated."""
    samples = {word: s for word, s in CASES["shedding"].items() if word != "pitch moment"}
    one = rated(tmp_path / "c", samples)
    motion = on_the_road(samples)

    agrees(metric(one, "vertical-comfort"), motion.seat_rms(1.0, 20.0))
    assert "Not measured: pitch moment (lift is taken to act at mid-wheelbase)," in one.why
    (rear,) = [row for row in one.criteria if row.criterion.id == "rear-load"]
    assert (rear.metric, rear.verdict) == (None, None)
    assert rear.why is not None
    assert rear.why.startswith("pitch moment was not measured")
    # The planted pitch moment changes the motion by more than the intervals' width.
    whole = on_the_road(CASES["shedding"]).seat_rms(1.0, 20.0)
    assert abs(whole / motion.seat_rms(1.0, 20.0) - 1) > 0.1


def test_front_and_rear_lift_rate_as_lift_and_pitch(tmp_path: Path) -> None:
    """C_LF = C_L/2 + C_PM and C_LR = C_L/2 - C_PM: the same forces, the same ratings."""
    samples = CASES["shedding"]
    lift, pitch = samples["lift"], samples["pitch moment"]
    halves = {"front lift": lift / 2 + pitch, "rear lift": lift / 2 - pitch}
    exact = {word: np.round(s, 6) for word, s in halves.items()}
    summed = {
        "lift": exact["front lift"] + exact["rear lift"],
        "pitch moment": (exact["front lift"] - exact["rear lift"]) / 2,
    }
    by_axle = rated(tmp_path / "axles", exact)
    by_moment = rated(tmp_path / "moment", summed)

    for criterion in ("vertical-over-road", "vertical-comfort", "rear-load"):
        one, other = metric(by_axle, criterion), metric(by_moment, criterion)
        assert one.value == pytest.approx(other.value, rel=1e-7)  # transforms are single
        assert (one.low, one.high) == pytest.approx((other.low, other.high), rel=1e-6)


def test_wind_off_noise_does_not_shake_the_car(tmp_path: Path) -> None:
    """Balance noise as strong as the wake is taken out again."""
    wake = CASES["white lift"]
    noise = [band_noise(seed, 0.03, SECONDS, 1.0, 74.0) for seed in (31, 32)]
    runs = [
        PlantedRun("0", {"lift": noise[0]}, None),
        replace(PlantedRun("1", {"lift": wake["lift"] + noise[1]}), zero="0"),
    ]
    analysis = analyse(open_campaign(write_runs(tmp_path / "c", runs)))
    settings = RatingSettings(SPEED_M_S, up_to_m_s=30 / 3.6, vehicle=known(CAR))
    (one,) = rate(analysis, settings).configurations
    interval = metric(one, "vertical-comfort")

    expected = on_the_road(wake).seat_rms(1.0, 20.0)
    assert interval.low is not None
    assert interval.high is not None
    assert interval.low <= expected <= interval.high
    assert expected * 1.3 > interval.high


def side_samples() -> dict[str, Array]:
    """A wake whose lift, side force and yaw moment follow one another, from 1 to 74 Hz."""
    common = band_noise(31, 0.02, SECONDS, 1.0, 74.0)
    return {
        "lift": 0.1 + common,
        "pitch moment": -0.4 * common,
        "side force": 0.8 * common + band_noise(32, 0.01, SECONDS, 1.0, 74.0),
        "yaw moment": -0.3 * common + band_noise(33, 0.004, SECONDS, 1.0, 74.0),
    }


def weighted_rms(signal: Array, step_s: float, band_hz: tuple[float, float], name: str) -> float:
    """From the Fourier lines in a band, by the printed factors of ISO 8041-1 where named."""
    frequency_hz = np.asarray(np.fft.rfftfreq(len(signal), step_s), float)
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz < band_hz[1])
    power = 2 * np.abs(np.fft.rfft(signal)[inside] / len(signal)) ** 2
    weight = printed_factors(name, frequency_hz[inside]) if name else 1.0
    return float(np.sqrt(np.sum(power * weight**2)))


def test_side_motion_and_yaw_rate(tmp_path: Path) -> None:
    """Wd across at the seat and yaw rate, and roll's part of what goes up and down there.

    Lift and side force follow each other, so the vertical motion at a seat beside the middle is not
    the sum of both powers: without the cross-spectra it would be another by a tenth and more.
    """
    samples = side_samples()
    one = rated(tmp_path / "c", samples)
    step_s = 1 / (RATE_HZ * FREQUENCY_RATIO)
    load_n = 0.5 * ROAD_DENSITY * SPEED_M_S**2 * AREA_M2
    unsteady = {word: load_n * (value - value.mean()) for word, value in samples.items()}
    still = np.zeros_like(unsteady["lift"])
    loads = np.stack([unsteady["side force"], still, WHEELBASE_M * unsteady["yaw moment"]], axis=1)
    fine = np.asarray(resample(loads, FINER * len(loads), axis=0))
    motion = pushed_aside(CAR, SPEED_M_S, step_s / FINER, fine, CAR.seat_at_m)
    across = weighted_rms(motion.seat_y_m_s2, step_s / FINER, (0.5, 10.0), "Wd")
    turning = weighted_rms(np.degrees(motion.yaw_rate_rad_s), step_s / FINER, (0.5, 5.0), "")

    agrees(metric(one, "lateral"), across)
    agrees(metric(one, "yaw-rate"), turning)

    omega = 2 * np.pi * np.fft.rfftfreq(len(fine), step_s / FINER)
    rise = CAR.seat_at_m[1] * omega**2 * np.fft.rfft(motion.roll_rad)  # -y φ, twice derived
    by_roll = np.fft.irfft(rise, len(fine))
    by_lift = on_the_road(samples).seat_m_s2
    together, apart = (
        weighted_rms(by_lift + sign * by_roll, step_s / FINER, (1.0, 20.0), "Wk")
        for sign in (1, -1)
    )
    agrees(metric(one, "vertical-comfort"), together)
    without_cross = np.sqrt((together**2 + apart**2) / 2)
    assert abs(without_cross / together - 1) > 0.1


def test_what_is_not_known_of_the_car_widens_the_interval(tmp_path: Path) -> None:
    """Dampers known to 20 %: as much as the motion of cars with so much more and less differs.

    A standard deviation of 24 draws is known to 15 %.
    """
    samples = CASES["shedding"]
    assert EXACT.spread is not None
    vague = replace(EXACT, spread={**EXACT.spread, "damping": 0.2})
    one = rated(tmp_path / "c", samples, vague)
    more, less = (
        on_the_road(samples, _damped(1 + change)).seat_rms(1.0, 20.0) for change in (0.2, -0.2)
    )
    (row,) = [row for row in one.criteria if row.criterion.id == "vertical-comfort"]
    (curve,) = [curve for curve in one.curves.metrics if curve.criterion == row.criterion]
    (car,) = [part for part in curve.unseen if part.source == "the car"]

    index = int(np.argmin(np.abs(one.curves.setting.speeds_m_s - SPEED_M_S)))
    found = np.sqrt(np.broadcast_to(car.variance, curve.estimate.value.shape)[index]) / 2
    assert found == pytest.approx(abs(np.log(more / less)) / 2, rel=0.4)
    assert sum(row.budget.values()) == pytest.approx(1.0)
    assert row.budget["the car"] == pytest.approx(
        float(found**2 / curve.estimate.spread[index] ** 2), rel=0.01
    )


def _damped(factor: float) -> Vehicle:
    front, rear = (
        replace(axle, damping_n_s_m=factor * axle.damping_n_s_m) for axle in (CAR.front, CAR.rear)
    )
    return replace(CAR, front=front, rear=rear)
