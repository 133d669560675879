"""Lift on the axles at the road speed, fuel by another elasticity, top speed by another solver."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from scipy import optimize

from buffet.interval import Interval
from buffet.rating.rate import Rating
from buffet.trade import axle_lift, top_speed_change_percent
from tests.buffet.campaigns import PlantedRun, lift_run, run_buffet, two_configurations, write_runs

SPEED = ("--speed", "130 km/h")
# ½ ρ V² A: 1.1993 kg/m³ (tests/published/air.csv), 130 km/h, 0.194 m² / 0.30².
LOAD_N = 0.5 * 1.1993 * (130 / 3.6) ** 2 * 0.194 / 0.09
# Of the stated typical car, whose wheelbase is this model's but for a tenth of a per cent.
FRONT_N, REAR_N = 700 * 9.80665, 450 * 9.80665


def hatchback(**drag_load: float | None) -> Rating:
    """What loads on the road ask of a rating: 1150 kg, 700 of them in front, on 2 m²."""
    load = {"power_w": 74e3, "efficiency": 0.9, "rolling_resistance": 0.011, **drag_load}
    vehicle = SimpleNamespace(
        mass_kg=1150.0, front_axle_mass_kg=700.0, road_load=SimpleNamespace(**load)
    )
    scale = SimpleNamespace(area_m2=2.0, dynamic_pressure_pa=lambda speed: 0.6 * speed**2)
    return cast(Rating, SimpleNamespace(vehicle=vehicle, full_scale=scale, speed_m_s=30.0))


@pytest.mark.parametrize(("word", "weight_n"), [("front lift", 6864.655), ("rear lift", 4412.9925)])
def test_axle_lift_by_hand(word: str, weight_n: float) -> None:
    """q A = 0.6 · 30² · 2 = 1080 N; the axles carry 700 and 450 kg at 9.80665 m/s²."""
    one = axle_lift(hatchback(), word, Interval(0.1, 0.05, 0.15), Interval(-0.02, -0.03, -0.01))

    assert one.lift_n is not None
    assert one.share is not None
    assert one.delta_n is not None
    assert one.delta_share is not None
    assert one.lift_n.value == pytest.approx(108)
    assert (one.lift_n.low, one.lift_n.high) == pytest.approx((54, 162))
    assert one.share.value == pytest.approx(108 / weight_n)
    assert one.delta_n.value == pytest.approx(-21.6)
    assert one.delta_share.low == pytest.approx(-32.4 / weight_n)


def holds(interval: dict[str, float], value: float, spread: float = 1.5) -> bool:
    """Whether an interval holds a value, at 1.5 times its width (99.7 %)."""
    low, high = (interval["value"] + spread * (interval[e] - interval["value"]) for e in LIMITS)
    return low <= value <= high


LIMITS = ("low", "high")


def printed(*arguments: object) -> dict[str, Any]:
    """`buffet compare --json`."""
    result = run_buffet("compare", *arguments, *SPEED, "--json")
    assert result.exit_code == 0, result.output
    document: dict[str, Any] = json.loads(result.stdout)
    return document


def lifted(number: str, lift: float, pitch: float, name: str, drag: float = 0.32) -> PlantedRun:
    """A run whose means are planted; C_LF = C_L / 2 + C_PM, C_LR = C_L / 2 - C_PM."""
    run = lift_run(number, 0.02, name, drag=drag)
    moved = {
        "drag": run.samples["drag"],
        "lift": run.samples["lift"] - 0.10 + lift,
        "pitch moment": run.samples["pitch moment"] + 0.02 + pitch,
    }
    return replace(run, samples=moved)


def test_planted_lift_balance_comes_out_in_newtons(tmp_path: Path) -> None:
    """Bare 0.03 in front and 0.07 behind; the tail 0.02 and 0.12, with less drag."""
    runs = [lifted("1", 0.10, -0.02, "bare"), lifted("2", 0.14, -0.05, "tail", 0.30)]
    document = printed(write_runs(tmp_path / "c", runs))
    (tail,), bare = document["configurations"], document["baseline_lift"]

    assert holds(bare["front_lift_n"], 0.03 * LOAD_N)
    assert holds(bare["rear_lift_n"], 0.07 * LOAD_N)
    assert holds(bare["rear_lift_share_of_axle_weight"], 0.07 * LOAD_N / REAR_N)
    assert holds(tail["front_lift_n"], 0.02 * LOAD_N)
    assert holds(tail["delta_front_lift_n"], -0.01 * LOAD_N)
    assert holds(tail["delta_rear_lift_n"], 0.05 * LOAD_N)
    assert holds(tail["front_lift_share_of_axle_weight"], 0.02 * LOAD_N / FRONT_N)
    assert holds(tail["delta_rear_lift_share_of_axle_weight"], 0.05 * LOAD_N / REAR_N)
    assert set(tail["delta_p_value"]) == {"drag", "front lift", "rear lift"}
    assert max(tail["delta_p_value"].values()) < 0.001


def test_p_values_of_the_means_are_corrected_for_the_number_of_add_ons(tmp_path: Path) -> None:
    """The same two runs beside a third, far-off one: twice the p-value (Holm's second of two)."""
    runs = [lifted("1", 0.10, -0.02, "bare"), lifted("2", 0.1003, -0.0202, "tail")]
    alone = printed(write_runs(tmp_path / "two", runs))["configurations"]
    third = lifted("3", 0.2, -0.1, "wing", 0.4)
    both = printed(write_runs(tmp_path / "three", [*runs, third]))["configurations"]

    for word, p_value in alone[0]["delta_p_value"].items():
        # the larger of two is not multiplied, and no smaller than twice the smallest
        assert both[0]["delta_p_value"][word] == pytest.approx(p_value)
    again = replace(third, samples=runs[1].samples, configuration="twin")
    twins = printed(write_runs(tmp_path / "twins", [*runs, again]))["configurations"]
    for word, p_value in alone[0]["delta_p_value"].items():
        assert twins[0]["delta_p_value"][word] == pytest.approx(min(1.0, 2 * p_value))


def test_axle_loads_without_lift_are_null_with_the_reason(tmp_path: Path) -> None:
    """Drag alone."""
    runs = [lift_run("1", 0.02), lift_run("2", 0.02, "spoiler")]
    drag = [replace(run, samples={"drag": run.samples["drag"]}) for run in runs]
    document = printed(write_runs(tmp_path / "c", drag))
    (spoiler,) = document["configurations"]

    assert spoiler["rear_lift_n"] is document["baseline_lift"]["rear_lift_n"] is None
    assert spoiler["delta_rear_lift_n"] is None
    assert "rear lift was not measured" in spoiler["missing"]["rear_lift_n"]


def test_text_and_page_show_the_lift_of_the_axles(tmp_path: Path) -> None:
    """Within 80 columns; the page also has the baseline's own, and the elasticity asked for."""
    folder = two_configurations(tmp_path / "c")
    text = run_buffet("compare", folder, *SPEED).stdout
    page = tmp_path / "page.html"
    options = ("--up-to", "140 km/h", "--fuel-elasticity", "0.7", "-o", page)
    run_buffet("report", folder, *SPEED, *options)
    html = page.read_text(encoding="utf-8")

    assert max(map(len, text.splitlines())) <= 80
    assert "front axle" in text
    assert "rear axle" in text
    assert "% of weight" in text
    assert "from memory" in text.replace("\n", " ")  # no car is stated: whose weight it is
    assert "Mean lift of the axles at 130 km/h" in html
    assert "elasticity of 0.7 (usually 0.5" in html


def test_another_fuel_elasticity_is_used_and_stated(tmp_path: Path) -> None:
    """0.65 at 130 km/h unless given; 0.7 is usual for an electric car."""
    folder = two_configurations(tmp_path / "c")
    usual, electric = printed(folder), printed(folder, "--fuel-elasticity", "0.7")

    for document, share in ((usual, 0.65), (electric, 0.7)):
        (spoiler,) = document["configurations"]
        fuel, drag = spoiler["fuel_change_percent"], spoiler["drag_change_percent"]
        assert document["fuel_elasticity"] == pytest.approx(share)
        assert fuel["value"] == pytest.approx(share * drag["value"])
    text = run_buffet("compare", folder, *SPEED, "--fuel-elasticity", "0.7").stdout
    assert "(0.7 % for each % of drag)" in " ".join(text.split())


@pytest.mark.parametrize("value", ["0", "-0.5", "1.2", "half"])
def test_an_elasticity_that_cannot_be_is_wrong_usage(value: str, tmp_path: Path) -> None:
    """More than all of the fuel is not spent on drag."""
    result = run_buffet("compare", tmp_path, *SPEED, "--fuel-elasticity", value)

    assert result.exit_code == 2
    assert "--fuel-elasticity" in result.output


@pytest.mark.parametrize("delta", [-0.04, 0.001, 0.1])
def test_top_speed_is_where_power_meets_resistance(delta: float) -> None:
    """Bracketed root of power less ½ ρ C_D A V³ less rolling, c_rr m g V, by another solver."""

    def top(drag: float) -> float:
        def spare_w(speed: float) -> float:
            air_n = 0.5 * 1.1993 * drag * 2.0 * speed**2
            return 0.9 * 74e3 - (air_n + 0.011 * 1150 * 9.80665) * speed

        return float(optimize.brentq(spare_w, 1.0, 200.0, xtol=1e-12))

    limits = Interval(delta, delta - 0.01, delta + 0.01)
    change, _ = top_speed_change_percent(hatchback(), 0.32, limits)
    expected = [100 * (top(0.32 + d) / top(0.32) - 1) for d in (delta, delta + 0.01, delta - 0.01)]

    assert change is not None
    found = (change.value, change.low, change.high)
    assert found == pytest.approx(expected, abs=2e-4)
