"""Road load: forces and energies against derived values, closed forms and quadrature."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from buffet.interval import Interval
from buffet.road_load.change import (
    NO_ROAD_LOAD,
    NO_TRACE,
    EnergyChange,
    energy_change,
    road_load_change,
)
from buffet.road_load.energy import RoadLoadModel
from buffet.road_load.speed_trace import Motion, SpeedTrace, at_constant_speed
from buffet.road_load.text import changes, reasons, road_load_text
from buffet.vehicle import typical_car
from ingest.vehicle import RoadLoad, Vehicle

PUBLISHED = Path(__file__).parent.parent / "published"
AREA_M2 = 0.65
MASS_KG = 1500.0
CAR = RoadLoadModel(MASS_KG, 0.010, 1.2)
LOSSY = replace(CAR, efficiency=0.9, idle_power_w=2500.0)
G = 9.80665


def rows() -> list[dict[str, str]]:
    """The derived table."""
    with (PUBLISHED / "road_load.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def ramp(*speeds_m_s: float, seconds: float = 10.0) -> Motion:
    """Straight from one speed to the next, each in so many seconds."""
    return Motion(seconds * np.arange(len(speeds_m_s)), np.array(speeds_m_s))


def driven(found: EnergyChange | str) -> EnergyChange:
    """A change that is known."""
    assert isinstance(found, EnergyChange), found
    return found


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row['speed_km_h']} km/h")
def test_forces_shares_and_powers_of_a_derived_table(row: dict[str, str]) -> None:
    """As printed; half the last digit. The share of drag is the elasticity of energy."""
    speed = float(row["speed_km_h"]) / 3.6
    tractive = float(CAR.tractive_n(AREA_M2, speed))
    drag = float(CAR.drag_n(AREA_M2, speed))
    energy = CAR.energy(AREA_M2, at_constant_speed(speed))

    assert drag == pytest.approx(float(row["drag_n"]), abs=0.05)
    assert drag / tractive == pytest.approx(float(row["drag_share"]), abs=0.0005)
    assert tractive * speed / 1000 == pytest.approx(float(row["power_kw"]), abs=0.005)
    # A force is an energy per distance.
    assert energy.wheel_j_m == pytest.approx(1000 * float(row["power_kw"]) / speed, rel=7e-4)
    assert energy.elasticity == pytest.approx(float(row["drag_share"]), abs=0.0005)


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row['speed_km_h']} km/h")
def test_idle_power_takes_from_the_share_of_drag(row: dict[str, str]) -> None:
    """By hand from the derived table: drag's power over efficiency, over that of all and idling."""
    speed, power_w = float(row["speed_km_h"]) / 3.6, 1000 * float(row["power_kw"])
    of_drag = float(row["drag_share"]) * power_w
    energy = LOSSY.energy(AREA_M2, at_constant_speed(speed))

    assert energy.elasticity == pytest.approx(of_drag / 0.9 / (power_w / 0.9 + 2500), abs=0.001)
    assert energy.input_j_m == pytest.approx((power_w / 0.9 + 2500) / speed, rel=7e-4)


def test_ten_per_cent_less_drag_saves_the_share_of_drag() -> None:
    """At a constant speed energy is a straight line in drag: -10 % and 0.776 give -7.76 %."""
    motion = at_constant_speed(130 / 3.6)
    found = driven(energy_change(CAR, motion, AREA_M2, Interval(-10.0, -12.0, -8.0)))

    assert found.change_percent.value == pytest.approx(-7.76, abs=0.005)
    assert found.change_percent.low == pytest.approx(-12 * 0.776, abs=0.006)
    assert found.change_percent.high == pytest.approx(-8 * 0.776, abs=0.004)


@pytest.mark.parametrize("n", [2, 7, 500])
def test_a_trace_of_constant_speed_is_that_speed(n: int) -> None:
    """However many points it has."""
    motion = Motion(np.linspace(5, 65, n), np.full(n, 30.0))

    assert motion.distance_m == pytest.approx(1800)
    assert motion.duration_s == pytest.approx(60)
    # ½ ρ C_D A V² + c_rr m g = 351 N + 147.09975 N
    assert CAR.energy(AREA_M2, motion).wheel_j_m == pytest.approx(498.09975, rel=1e-12)


@pytest.mark.parametrize("share", [0.0, 0.05])
def test_constant_acceleration_has_its_closed_form(share: float) -> None:
    """From rest: (1 + share) m V²/2, c_rr m g s and, since V² rises with s, ½ ρ C_D A V² s/2."""
    top, seconds = 30.0, 12.0
    model = replace(CAR, rotating_mass_share=share)
    way = top * seconds / 2
    kinetic = (1 + share) * MASS_KG * top**2 / 2
    of_drag = 0.5 * 1.2 * AREA_M2 * top**2 * way / 2
    energy = model.energy(AREA_M2, ramp(0.0, top, seconds=seconds))

    expected = (kinetic + of_drag + 0.010 * MASS_KG * G * way) / way
    assert energy.wheel_j_m == pytest.approx(expected, rel=1e-12)
    assert energy.braked_j_m == 0
    assert energy.elasticity == pytest.approx(of_drag / way / expected, rel=1e-12)


def test_braking_is_lost_or_comes_back_in_part() -> None:
    """Hard braking from 20 m/s over 40 m: what drag and rolling do not take goes to the brakes."""
    motion = ramp(20.0, 0.0, seconds=4.0)
    kinetic = MASS_KG * 20.0**2 / 2
    resisting = 0.010 * MASS_KG * G * 40 + 0.5 * 1.2 * AREA_M2 * 20.0**2 * 40 / 2
    lost, back = CAR.energy(AREA_M2, motion), replace(CAR, recuperation=0.6)

    assert (lost.wheel_j_m, lost.input_j_m) == (0, 0)
    assert lost.braked_j_m == pytest.approx((kinetic - resisting) / 40, rel=1e-12)
    assert math.isnan(lost.elasticity)
    assert back.energy(AREA_M2, motion).input_j_m == pytest.approx(-0.6 * lost.braked_j_m)


def test_coasting_down_takes_and_gives_nothing() -> None:
    """In a vacuum c_rr g is the deceleration by which a car rolls out."""
    motion = ramp(20.0, 20.0 - 0.010 * G * 10, seconds=10.0)
    energy = CAR.energy(1e-12, motion)

    assert energy.wheel_j_m == pytest.approx(0, abs=1e-6)
    assert energy.braked_j_m == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("end", [36.0, 33.0, 25.0, 0.0])
def test_power_that_turns_its_sign_within_a_piece(end: float) -> None:
    """Slowing down lightly: driven above some speed and braked below, by adaptive quadrature."""
    start, seconds = 40.0, 10.0 if end > 30 else 25.0
    slope = (end - start) / seconds
    model = replace(LOSSY, recuperation=0.5, rotating_mass_share=0.04)

    def power(t: float) -> float:
        v = start + slope * t
        force = 0.6 * AREA_M2 * v**2 + 0.010 * MASS_KG * G + 1.04 * MASS_KG * slope
        return force * v

    turn = [t for t in np.linspace(0, seconds, 4001)[1:-1] if abs(power(t)) < 60]
    wheel = quad(lambda t: max(power(t), 0.0), 0, seconds, points=turn[:1] or None, limit=500)[0]
    braked = quad(lambda t: max(-power(t), 0.0), 0, seconds, points=turn[:1] or None, limit=500)[0]
    way = (start + end) / 2 * seconds
    energy = model.energy(AREA_M2, ramp(start, end, seconds=seconds))

    assert energy.wheel_j_m == pytest.approx(wheel / way, rel=1e-6, abs=1e-9)
    assert energy.braked_j_m == pytest.approx(braked / way, rel=1e-6, abs=1e-9)
    put_in = wheel / 0.9 - 0.5 * braked + 2500 * seconds
    assert energy.input_j_m == pytest.approx(put_in / way, rel=1e-6)


CITY = Motion(
    np.array([0.0, 8, 30, 38, 50, 65, 180, 200, 205]),
    np.array([0.0, 13, 14, 0, 0, 25, 24, 3, 0]),
)


@pytest.mark.parametrize("model", [CAR, LOSSY, replace(LOSSY, recuperation=0.7)])
def test_elasticity_is_the_slope_of_the_energy(model: RoadLoadModel) -> None:
    """By central differences of the logarithms, of a drive with stops."""
    step = 1e-4
    up, down = (model.energy(AREA_M2 * math.exp(s), CITY).input_j_m for s in (step, -step))
    slope = (math.log(up) - math.log(down)) / (2 * step)

    assert model.energy(AREA_M2, CITY).elasticity == pytest.approx(slope, rel=1e-6)


def test_energy_over_a_drive_rises_with_drag() -> None:
    """So the limits of the drag are those of the energy, in the same order."""
    percent = Interval(-10.0, -15.0, -5.0)
    for model in (CAR, LOSSY, replace(LOSSY, recuperation=1.0, efficiency=1.0)):
        change = driven(energy_change(model, CITY, AREA_M2, percent)).change_percent
        assert change.low is not None
        assert change.high is not None
        assert -15 < change.low < change.value < change.high < 0


def test_what_comes_back_lets_drag_count_for_more() -> None:
    """Without any loss a drive from rest to rest takes what drag and rolling take, and no more."""
    one_way, back = ramp(0.0, 20.0, 0.0), replace(CAR, recuperation=1.0)
    way, energy = 200.0, back.energy(AREA_M2, one_way)
    of_drag = 0.5 * 1.2 * AREA_M2 * 20.0**2 * way / 2
    resisting = 0.010 * MASS_KG * G * way + of_drag

    assert energy.input_j_m == pytest.approx(resisting / way, rel=1e-12)
    assert energy.elasticity == pytest.approx(of_drag / resisting, rel=1e-12)
    assert CAR.energy(AREA_M2, one_way).elasticity < energy.elasticity


def test_limits_that_are_not_known_stay_so() -> None:
    """An interval open to one side."""
    found = driven(
        energy_change(CAR, at_constant_speed(30.0), AREA_M2, Interval(5.0, None, 8.0, 0.9))
    )
    assert found.change_percent.low is None
    assert found.change_percent.high is not None
    assert found.change_percent.level == 0.9


def test_no_change_where_there_is_nothing_to_compare() -> None:
    """A drag that cannot be, and a drive downhill as it were."""
    motion = at_constant_speed(30.0)
    far = energy_change(CAR, motion, AREA_M2, Interval(-50.0, -100.0, 0.0))
    braking = energy_change(CAR, ramp(20.0, 0.0, seconds=4), AREA_M2, Interval(1.0, 0.0, 2.0))

    assert far == "the drag coefficient is not positive"
    assert braking == "the drive takes no energy over the speed trace"


def stated(**more: float) -> Vehicle:
    """A typical car with these keys of its road load."""
    load = RoadLoad(rolling_resistance=0.010, power_w=74e3, efficiency=0.9, **more)
    return replace(typical_car(), road_load=load)


def test_reasons_stand_in_place_of_what_is_missing() -> None:
    """No road load, no drag, no trace."""
    percent, trace = Interval(-3.0, -4.0, -2.0), SpeedTrace("city.csv", "ab", CITY)
    silent = replace(typical_car(), road_load=None)
    none = road_load_change(silent, AREA_M2, percent, 30.0, trace, "no drag")
    no_drag = road_load_change(stated(), None, None, 30.0, trace, "no drag")
    no_trace = road_load_change(stated(), AREA_M2, percent, 30.0, None, "")

    assert (none.constant_speed, none.over_trace) == (None, None)
    assert none.constant_speed_why == none.over_trace_why == NO_ROAD_LOAD
    assert no_drag.constant_speed_why == no_drag.over_trace_why == "no drag"
    assert reasons(no_drag, trace) == ["no drag"]
    assert no_trace.constant_speed is not None
    assert (no_trace.over_trace, no_trace.over_trace_why) == (None, NO_TRACE)
    assert reasons(no_trace, None) == []
    assert len(changes(no_trace, None)) == 1
    assert len(changes(no_drag, trace)) == 2


def test_words_say_what_an_energy_rests_on() -> None:
    """What is stated of losses, and a warning where no idle power is."""
    trace = SpeedTrace("city.csv", "ab", CITY)
    plain = road_load_text(RoadLoadModel.of(stated()), trace)
    full = road_load_text(
        RoadLoadModel.of(stated(idle_power_w=2500, recuperation=0.6, rotating_mass_share=0.04)),
        None,
    )
    assert "saves less fuel" in plain
    assert "Speed trace: city.csv, 3.69 km in 205 s" in plain
    assert "2.5 kW whatever the load, 60 % of the braking energy back, 4.0 % of the mass" in full
    assert "saves less fuel" not in full
    assert "is not stated" in road_load_text(None, None)
