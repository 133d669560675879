"""Road load in words; formats, computes nothing."""

from __future__ import annotations

from buffet.interval import Interval
from buffet.road_load.change import RoadLoadChange
from buffet.road_load.energy import RoadLoadModel
from buffet.road_load.speed_trace import SpeedTrace

AT_THIS_SPEED = "energy at this speed by road load, %"
OVER_THE_TRACE = "energy over the trace by road load, %"


def changes(change: RoadLoadChange, trace: SpeedTrace | None) -> list[tuple[str, Interval | None]]:
    """Rows of a table: the trace's only where one was given."""
    steady, driven = change.constant_speed, change.over_trace
    rows = [(AT_THIS_SPEED, steady.change_percent if steady else None)]
    if trace is not None:
        rows.append((OVER_THE_TRACE, driven.change_percent if driven else None))
    return rows


def reasons(change: RoadLoadChange, trace: SpeedTrace | None) -> list[str]:
    """Why a row of `changes` is empty."""
    whys = [change.constant_speed_why, change.over_trace_why if trace is not None else ""]
    return [why for why in dict.fromkeys(whys) if why]


def road_load_text(model: RoadLoadModel | None, trace: SpeedTrace | None) -> str:
    """What the energies rest on."""
    if model is None:
        return "No energy by road load: the car's [road_load] is not stated."
    losses = []
    if model.idle_power_w:
        losses.append(f"{model.idle_power_w / 1000:.3g} kW whatever the load")
    if model.recuperation:
        losses.append(f"{model.recuperation:.0%} of the braking energy back".replace("%", " %"))
    if model.rotating_mass_share:
        turning = f"{model.rotating_mass_share:.1%}".replace("%", " %")
        losses.append(f"{turning} of the mass added for what turns")
    stated = f"; {', '.join(losses)}" if losses else ""
    text = (
        "Energy by road load: drag and rolling resistance "
        f"({model.rolling_resistance:.3g} of the weight) on a level road in still air, over an "
        f"efficiency of {model.efficiency:.3g}{stated}."
    )
    if not model.idle_power_w:
        text += (
            " No idle_power is stated under [road_load]: an engine that takes power without load "
            "saves less fuel than this."
        )
    if trace is not None:
        motion = trace.motion
        mean_km_h = 3.6 * motion.distance_m / motion.duration_s
        text += (
            f" Speed trace: {trace.file}, {motion.distance_m / 1000:.3g} km in "
            f"{motion.duration_s:.4g} s, {mean_km_h:.3g} km/h on average."
        )
    return text
