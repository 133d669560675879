"""What a change of drag does to the energy that a car's drive takes, by road load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from buffet.interval import Interval
from buffet.road_load.energy import Energy, RoadLoadModel
from buffet.road_load.speed_trace import Motion, SpeedTrace, at_constant_speed

if TYPE_CHECKING:
    from ingest import Vehicle

NO_ROAD_LOAD = "the car's [road_load] is not stated"
NO_TRACE = "no speed trace was given (--speed-trace)"


@dataclass(frozen=True)
class EnergyChange:
    """Over one motion, against the baseline."""

    baseline: Energy
    change_percent: Interval  # of the energy put into the drive


@dataclass(frozen=True)
class RoadLoadChange:
    """At a constant road speed and over a drive; None with the reason where it is not known."""

    constant_speed: EnergyChange | None
    constant_speed_why: str  # empty where it is known
    over_trace: EnergyChange | None
    over_trace_why: str


def road_load_change(
    vehicle: Vehicle,
    drag_area_m2: float | None,
    drag_change_percent: Interval | None,
    speed_m_s: float,
    trace: SpeedTrace | None,
    why_no_drag: str,
) -> RoadLoadChange:
    """What a change of the drag coefficient does.

    Parameters
    ----------
    drag_area_m2 : C_D A of the baseline, full scale; None where it was not measured
    why_no_drag : said where the drag or its change is not known
    """
    model = RoadLoadModel.of(vehicle)
    why = NO_ROAD_LOAD if model is None else why_no_drag
    if model is None or drag_area_m2 is None or drag_change_percent is None:
        return RoadLoadChange(None, why, None, why if trace else NO_TRACE)
    steady = energy_change(model, at_constant_speed(speed_m_s), drag_area_m2, drag_change_percent)
    driven: EnergyChange | str = NO_TRACE
    if trace is not None:
        driven = energy_change(model, trace.motion, drag_area_m2, drag_change_percent)
    return RoadLoadChange(*_either(steady), *_either(driven))


def _either(found: EnergyChange | str) -> tuple[EnergyChange | None, str]:
    return (None, found) if isinstance(found, str) else (found, "")


def energy_change(
    model: RoadLoadModel, motion: Motion, drag_area_m2: float, drag_change_percent: Interval
) -> EnergyChange | str:
    """Relative change of the energy put in over a motion, or the reason why there is none.

    The energy rises with the drag area, whatever the motion, so limits of the one are limits of
    the other. The baseline's own drag counts as known.
    """
    before = model.energy(drag_area_m2, motion)
    if before.input_j_m <= 0:
        return "the drive takes no energy over the speed trace"
    limits = (drag_change_percent.value, drag_change_percent.low, drag_change_percent.high)
    if any(limit is not None and limit <= -100 for limit in limits):
        return "the drag coefficient is not positive"

    def change(percent: float) -> float:
        after = model.energy(drag_area_m2 * (1 + percent / 100), motion)
        return 100 * (after.input_j_m / before.input_j_m - 1)

    low, high = (None if limit is None else change(limit) for limit in limits[1:])
    value = Interval(change(drag_change_percent.value), low, high, drag_change_percent.level)
    return EnergyChange(before, value)
