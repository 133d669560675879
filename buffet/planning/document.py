"""The JSON document of `plan`."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from buffet.json_values import Document, number
from buffet.planning.order import PlannedRun
from buffet.planning.plan import Plan
from buffet.planning.records import Reached
from buffet.planning.subjects import Fluctuation


def plan_document(plan: Plan) -> Document:
    """What `plan` prints as JSON."""
    records = plan.records
    return {
        "format": "buffet/plan",
        "version": 1,
        "configurations": list(plan.configurations),
        "sampling": asdict(plan.sampling) | {"folded_db": number(plan.sampling.folded_db)},
        "record_s": records.record_s,
        "wind_off_s": records.wind_off_s,
        "repeats": records.repeats,
        "rules": records.rules,
        "resolution_hz": records.resolution_hz,
        "resolution_record_s": records.resolution_record_s,
        "needs_resolution": plan.needs_resolution,
        "wishes": [_wish(plan, one) for one in records.wishes],
        "not_planned": [{"wish": wish, "why": why} for wish, why in plan.not_planned],
        "wind_speeds": [asdict(one) for one in plan.sweep.speeds],
        "tells_flow_from_rig": plan.sweep.tells,
        "road_reynolds": list(plan.sweep.road_reynolds),
        "road_shedding_hz": list(plan.sweep.road_shedding_hz),
        "balance": asdict(plan.balance) | {"stiffness_n_m": number(plan.balance.stiffness_n_m)},
        "tube": asdict(plan.tube),
        "bytes": plan.storage.n_bytes,
        "bytes_of_a_run": plan.storage.of_a_run,
        "tunnel_s": plan.tunnel_s,
        "out_of_reach": [asdict(one) for one in plan.shortfalls],
        "fluctuations": [_fluctuation(one) for one in plan.subjects.fluctuations],
        "shedding": [_finite(asdict(one)) for one in plan.subjects.sheddings],
        "onset": [_named(asdict(one)) for one in plan.subjects.growths],
        "premises": [
            {"key": one.key, "value": one.value, "source": one.source} for one in plan.premises.told
        ],
        "runs": [_run(run) for run in plan.runs],
        "failed": [{"run": one.run, "error": one.error} for one in plan.failed],
    }


def _wish(plan: Plan, one: Reached) -> Document:
    demand = one.demand
    onset = demand.wish == "onset speed"
    factor = demand.within / plan.premises["onset_within"] if onset else 1.0
    return {
        "wish": demand.wish,
        "configuration": demand.configuration or None,
        "component": demand.component,
        "within": demand.within / factor,
        "record_s": number(one.record_s),
        "record_s_why": "no record is long enough" if one.record_s is None else None,
        "half_width": number(one.half_width / factor),
        "reached": one.is_reached,
        "run_to_run": demand.run_to_run,
        "repeats_needed": one.repeats_needed,
        "scatter_needed": number(one.scatter_needed),
    }


def _fluctuation(one: Fluctuation) -> Document:
    """Whether its scatter over the wind speeds was told is seen from the premises."""
    table = asdict(one)
    del table["is_speed_scatter_told"]
    return _finite(table)


def _finite(table: dict[str, Any]) -> Document:
    """Degrees of freedom without end, as of what was stated, are null."""
    return _named(table) | {"freedom": number(table["freedom"])}


def _named(table: dict[str, Any]) -> Document:
    """What stands for all configurations alike has none of its own."""
    return table | {"configuration": table["configuration"] or None}


def _run(run: PlannedRun) -> Document:
    return asdict(run) | {"kind": "wind-on" if run.wind_on else "wind-off"}
