"""Add-ons against the baseline: planted ratios, no difference, Holm, fuel and top speed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.comparing import AddOn, Comparison, compare
from buffet.holm import holm
from buffet.interval import Interval
from buffet.rating.rate import Rating, RatingSettings, rate
from buffet.trade import (
    fuel_change_percent,
    fuel_elasticity,
    top_speed_change_percent,
    top_speed_m_s,
)
from ingest import open_campaign
from tests.buffet.campaigns import PlantedRun, band_noise, lift_run, write_runs

SPEED_M_S = 130 / 3.6
LOWEST_SEARCH = 30 / 3.6  # the onset is not asked for here


def compared(folder: Path, runs: list[PlantedRun]) -> Comparison:
    """The comparison of a campaign of these runs."""
    analysis = analyse(open_campaign(write_runs(folder, runs)))
    return compare(rate(analysis, RatingSettings(SPEED_M_S, up_to_m_s=LOWEST_SEARCH)))


def holds(interval: Interval | None, value: float) -> bool:
    """Whether an interval holds a value."""
    assert interval is not None
    assert interval.low is not None
    assert interval.high is not None
    return interval.low <= value <= interval.high


def noise_of(seed: int, lift: float, drag: float) -> dict[str, Any]:
    """Lift of a given RMS and a mean drag with fluctuations of 0.006."""
    return {
        "drag": drag + band_noise(10 * seed, 0.006, 40),
        "lift": 0.1 + band_noise(10 * seed + 1, lift, 40),
        "pitch moment": -0.02 + band_noise(10 * seed + 2, 0.4 * lift, 40),
    }


@pytest.fixture(scope="module")
def twenty(tmp_path_factory: pytest.TempPathFactory) -> tuple[AddOn, ...]:
    """Twenty add-ons with no more than the baseline's own truth, each another draw."""
    runs = [PlantedRun("1", noise_of(1, 0.02, 0.32))]
    runs += [PlantedRun(str(i), noise_of(i, 0.02, 0.32), f"copy {i}") for i in range(2, 22)]
    return compared(tmp_path_factory.mktemp("twenty") / "c", runs).add_ons


def test_ratio_of_a_planted_factor(tmp_path: Path) -> None:
    """Half the lift RMS and a drag 0.012 higher come out within their intervals."""
    runs = [
        PlantedRun("1", noise_of(1, 0.03, 0.320)),
        PlantedRun("2", noise_of(2, 0.015, 0.332), "spoiler"),
    ]
    (spoiler,) = compared(tmp_path / "c", runs).add_ons

    assert holds(spoiler.rms_ratio["lift"], 0.5)
    assert spoiler.p_value["lift"] < 1e-6
    assert holds(spoiler.rms_ratio["drag"], 1.0)
    assert holds(spoiler.delta_drag, 0.012)
    assert holds(spoiler.drag_change_percent, 100 * 0.012 / 0.320)


def test_ratios_of_twenty_seeds(tmp_path: Path) -> None:
    """Of twenty add-ons with twice the lift, 17 or more intervals hold the 2.

    With 95 % each, and the one baseline in all of them, fewer are improbable.
    """
    runs = [PlantedRun("1", noise_of(101, 0.01, 0.32))]
    runs += [PlantedRun(str(i), noise_of(100 + i, 0.02, 0.32), f"{i}") for i in range(2, 22)]
    add_ons = compared(tmp_path / "c", runs).add_ons

    assert sum(holds(one.rms_ratio["lift"], 2.0) for one in add_ons) >= 17
    assert all(one.p_value["lift"] < 0.001 for one in add_ons)


def test_no_difference_is_seldom_called_one(twenty: tuple[AddOn, ...]) -> None:
    """After Holm's correction over twenty equal add-ons none is different."""
    for one in twenty:
        assert one.p_value["lift"] > 0.05
        assert one.p_value["drag"] > 0.05


def test_intervals_of_no_difference_hold_one(twenty: tuple[AddOn, ...]) -> None:
    """Uncorrected 95 % intervals, which share one baseline: 17 or more of 20 hold the truth."""
    assert sum(holds(one.rms_ratio["lift"], 1.0) for one in twenty) >= 17
    assert sum(holds(one.delta_drag, 0.0) for one in twenty) >= 17
    assert sum(holds(one.delta_rear_lift, 0.0) for one in twenty) >= 17


def test_run_to_run_scatter_widens_what_repeats_show(tmp_path: Path) -> None:
    """Repeats whose RMS differs by 20 % make a ratio of 1.2 no proven difference."""
    factors = {"1": 0.9, "2": 1.1, "3": 0.9, "4": 1.1, "5": 1.2, "6": 1.0}
    runs = [
        PlantedRun(n, noise_of(int(n), 0.02 * f, 0.32), "bare" if int(n) < 5 else "spoiler")
        for n, f in factors.items()
    ]
    (with_repeats,) = compared(tmp_path / "six", runs).add_ons
    single = [replace(runs[0], samples=noise_of(1, 0.02, 0.32)), runs[4]]
    (without,) = compared(tmp_path / "two", single).add_ons

    assert without.p_value["lift"] < 0.001
    assert with_repeats.p_value["lift"] > 0.05


def test_only_shared_operating_points_are_compared(tmp_path: Path) -> None:
    """An add-on run at another wind speed than the baseline gets no ratio, and the reason."""
    runs = [lift_run("1", 0.02), replace(lift_run("2", 0.02, "spoiler"), air={"speed": "30 m/s"})]
    (spoiler,) = compared(tmp_path / "c", runs).add_ons

    assert spoiler.rms_ratio == {}
    assert spoiler.delta_drag is None
    for key in ("delta_drag", "fuel_change_percent", "rms_ratio lift"):
        assert "no run at a wind speed and yaw at which the baseline" in spoiler.missing[key]


def test_one_add_on_without_drag_does_not_take_it_from_the_others(tmp_path: Path) -> None:
    """What is missing is missing in its own configuration alone, and the run is named."""
    third = lift_run("3", 0.02, "wing")
    words = {word: s for word, s in third.samples.items() if word != "drag"}
    runs = [lift_run("1", 0.03), lift_run("2", 0.02, "spoiler"), replace(third, samples=words)]
    add_ons = {one.name: one for one in compared(tmp_path / "c", runs).add_ons}

    assert add_ons["spoiler"].delta_drag is not None
    assert add_ons["wing"].delta_drag is None
    assert add_ons["wing"].missing["delta_drag"].startswith("drag was not measured")
    assert add_ons["wing"].missing["delta_drag"].endswith("in run 3")
    assert "lift" in add_ons["wing"].rms_ratio


def test_dead_channel_gives_no_difference(tmp_path: Path) -> None:
    """A drag channel that never changed has no mean worth comparing."""
    dead = lift_run("2", 0.02, "spoiler")
    samples = {**dead.samples, "drag": np.full(len(dead.samples["drag"]), 0.5)}
    runs = [lift_run("1", 0.03), replace(dead, samples=samples)]
    (spoiler,) = compared(tmp_path / "c", runs).add_ons

    assert spoiler.delta_drag is None
    assert "drag" not in spoiler.rms_ratio
    assert "its channel never changed, in run 2" in spoiler.missing["rms_ratio drag"]


def test_baseline_alone_is_compared_with_nothing(tmp_path: Path) -> None:
    """No add-on, no error."""
    comparison = compared(tmp_path / "c", [lift_run("1", 0.03)])

    assert comparison.add_ons == ()
    assert comparison.baseline.name == "bare"
    assert comparison.recommendation.configuration is None


def test_recommendation_needs_a_better_verdict_and_a_proven_difference(tmp_path: Path) -> None:
    """The spoiler that halves the lift is recommended over a plate that changes nothing."""
    runs = [
        PlantedRun("1", noise_of(1, 0.06, 0.32)),
        PlantedRun("2", noise_of(2, 0.02, 0.33), "spoiler"),
        PlantedRun("3", noise_of(3, 0.06, 0.31), "plate"),
    ]
    comparison = compared(tmp_path / "c", runs)

    assert comparison.recommendation.configuration == "spoiler"
    assert "instead of" in comparison.recommendation.why


@pytest.mark.parametrize(
    ("p_values", "corrected"),
    [
        # By hand: 4 · 0.005, 3 · 0.01, 2 · 0.03, then no smaller than the one before.
        ([0.01, 0.04, 0.03, 0.005], [0.03, 0.06, 0.06, 0.02]),
        ([0.5, 0.6], [1.0, 1.0]),
        ([0.04], [0.04]),
        ([], []),
    ],
)
def test_holm_by_hand(p_values: list[float], corrected: list[float]) -> None:
    """Smallest times n, next times n - 1, never falling, at most 1."""
    assert holm(p_values) == pytest.approx(corrected)


def test_top_speed_follows_the_cube_rule_without_rolling_resistance() -> None:
    """Top speed ∝ (C_D A)^(-1/3): 10 % less drag area gives +3.57 % (derived value, as printed)."""
    before, after = (top_speed_m_s(74e3, area, 0.0, 1.2) for area in (0.65, 0.585))

    assert 100 * (after / before - 1) == pytest.approx(3.57, abs=0.005)


@pytest.mark.parametrize(
    ("speed_km_h", "power_kw"), [(80, 7.55), (100, 12.45), (120, 19.35), (130, 23.68)]
)
def test_top_speed_against_a_road_load_table(speed_km_h: float, power_kw: float) -> None:
    """The power at a speed makes that the top speed.

    m = 1500 kg, c_rr = 0.010, C_D A = 0.65 m², ρ = 1.2 kg/m³: derived values, as printed; half
    their last digit is a relative power of 7e-4 at most and a third of that in speed.
    """
    rolling_n = 0.010 * 1500 * 9.80665
    speed_m_s = top_speed_m_s(1000 * power_kw, 0.65, rolling_n, 1.2)

    assert 3.6 * speed_m_s == pytest.approx(speed_km_h, rel=4e-4)


@pytest.mark.parametrize(
    ("speed_km_h", "elasticity"), [(90, 0.5), (100, 0.5), (110, 0.5), (130, 0.65), (160, 0.65)]
)
def test_fuel_elasticity(speed_km_h: float, elasticity: float) -> None:
    """0.5 at 90 to 110 km/h (common practice, no source), 0.65 at 130 km/h (an estimate)."""
    change = fuel_change_percent(Interval(-10.0, -12.0, -8.0), fuel_elasticity(speed_km_h / 3.6))

    assert change.value == pytest.approx(-10 * elasticity)
    assert (change.low, change.high) == pytest.approx((-12 * elasticity, -8 * elasticity))


def car(power_w: float | None) -> Rating:
    """What top speed needs of a rating: m = 1500 kg, c_rr = 0.010, full-scale area 2 m²."""
    load = SimpleNamespace(power_w=power_w, efficiency=None, rolling_resistance=0.010)
    vehicle = SimpleNamespace(road_load=load if power_w else None, mass_kg=1500.0)
    return cast(Rating, SimpleNamespace(vehicle=vehicle, full_scale=SimpleNamespace(area_m2=2.0)))


def test_more_drag_lowers_the_top_speed_and_turns_the_limits_round() -> None:
    """The higher limit of drag gives the lower one of top speed."""
    change, why = top_speed_change_percent(car(74e3), 0.3, Interval(0.03, 0.02, 0.04))

    assert why == ""
    assert change is not None
    assert change.low is not None
    assert change.high is not None
    # The cube rule alone would give (1 / 1.1)^(1/3) - 1 = -3.13 %; rolling takes some of it away.
    assert -3.13 < change.value < -2.5
    assert change.low < change.value < change.high < 0


@pytest.mark.parametrize(
    ("power_w", "drag", "why"),
    [
        (None, 0.3, r"the car's \[road_load\] power is not stated"),
        (74e3, 0.01, "the drag coefficient is not positive"),
    ],
)
def test_no_top_speed_without_power_or_drag(power_w: float | None, drag: float, why: str) -> None:
    """The reason stands beside the missing value."""
    change, reason = top_speed_change_percent(car(power_w), drag, Interval(0.0, -0.02, 0.02))

    assert change is None
    assert reason == why.replace("\\", "")
