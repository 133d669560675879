"""What the planned run sheets are made of: an earlier campaign's, or one to be filled in."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from buffet.planning.order import PlannedRun
from buffet.planning.plan import Plan
from ingest import FORCES, MOMENTS, Campaign, Run

Sheet = dict[str, Any]

# No quantity, number or date: a sheet that still holds it is refused with what is wanted there.
FILL_IN = "fill in"
# Of a balance, most wanted first; taps fill up the channels.
BALANCE = ("lift", "pitch moment", "drag", "side force", "yaw moment")
# Keys of [air] that are of the day.
OF_THE_DAY = (
    "speed",
    "dynamic_pressure",
    "temperature",
    "static_pressure",
    "relative_humidity",
)
WIND = ("speed", "dynamic_pressure")
RECORDINGS = "../recordings"


def run_sheet(plan: Plan, run: PlannedRun, campaign: Campaign | None) -> Sheet:
    """The tables of one run's sheet."""
    earlier = None if campaign is None else template_run(campaign, run)
    stated = _new(plan) if earlier is None else copy.deepcopy(dict(earlier.stated))
    table: Sheet = {"format": 1, "run": _run(plan, run, _suffix(earlier))}
    table["air"] = _air(stated.get("air", {}), run)
    table["sampling"] = _sampling(plan, stated)
    if run.wind_on and "fan_speed" in stated.get("tunnel", {}):
        table["tunnel"] = stated["tunnel"] | {"fan_speed": FILL_IN}
    for key in ("wheels", "corrections", "balance", "file"):
        if key in stated:
            table[key] = stated[key]
    table["channel"] = stated["channel"]
    return table


def remarks(plan: Plan, run: PlannedRun) -> Mapping[str, str]:
    """By dotted key: what belongs there."""
    told = {
        "run.started": "when the record began, e.g. 2026-03-02T10:14:00Z",
        "run.recording": f"{run.record_s:.0f} s",
        "air.temperature": 'e.g. "22 degC"',
        "air.static_pressure": 'e.g. "1006 hPa"',
        "air.relative_humidity": "0 to 1",
        "tunnel.fan_speed": 'of the shaft, e.g. "255 rpm"',
        "channel.column": "the recording's own name, or its index from 0",
    }
    if run.wind_on:
        told["air.speed"] = f"planned {run.speed_m_s:.4g} m/s; as it was"
        told["air.dynamic_pressure"] = f"planned: that of {run.speed_m_s:.4g} m/s; as it was"
    return told


def template_run(campaign: Campaign, run: PlannedRun) -> Run:
    """The last run of the configuration, or of all with wind: how it was logged last."""
    own = [one for one in campaign.wind_on if one.configuration == run.configuration]
    return (own or list(campaign.wind_on))[-1]


def _suffix(earlier: Run | None) -> str:
    """ ".csv.gz" of an earlier recording's name."""
    return ".csv" if earlier is None else "".join(earlier.recordings[0].suffixes[-2:])


def _run(plan: Plan, run: PlannedRun, suffix: str) -> Sheet:
    table: Sheet = {"number": run.number}
    if run.wind_on:
        table["configuration"] = run.configuration
    table |= {
        "kind": "wind-on" if run.wind_on else "wind-off",
        "recording": f"{RECORDINGS}/{run.number}{suffix}",
        "started": FILL_IN,
    }
    if run.wind_on:
        table |= {"zero_before": run.zero_before, "zero_after": run.zero_after}
    where = f"repeat {run.round} of {plan.records.repeats}, {run.record_s:.0f} s planned"
    table["note"] = where if run.wind_on else f"{run.configuration} fitted; {where}"
    return table


def _air(stated: Mapping[str, Any], run: PlannedRun) -> Sheet:
    """What is of the day to be filled in, the rest as stated; the wind in runs with it alone."""
    return {
        key: FILL_IN if key in OF_THE_DAY else value
        for key, value in stated.items()
        if run.wind_on or key not in WIND
    }


def _sampling(plan: Plan, stated: Mapping[str, Any]) -> Sheet:
    """The planned rate, unless the recordings bring their own clock; no part is cut out."""
    old = stated.get("sampling", {})
    rate = f"{plan.sampling.rate_hz:.6g} Hz"
    table = {key: old[key] for key in ("time_column", "time_unit", "time_format") if key in old}
    if "time_column" not in old:
        table["rate"] = old["rate"] if old.get("rate") == "file" else rate
    if any("rate" in channel for channel in stated["channel"]):
        table["resample_to"] = rate
    return table | {"antialias_cutoff": f"{plan.sampling.cutoff_hz:.4g} Hz"}


def _new(plan: Plan) -> Sheet:
    """Without an earlier campaign: a balance, and taps for the rest of the channels."""
    air = dict.fromkeys(OF_THE_DAY, FILL_IN)
    del air["dynamic_pressure"]
    count = int(plan.premises["channels"])
    words = BALANCE[:count]
    channels = [_component(plan, i, word) for i, word in enumerate(words)]
    channels += [_tap(plan, i, i - len(words) + 1) for i in range(len(words), count)]
    return {"air": air, "channel": channels}


def _component(plan: Plan, column: int, word: str) -> Sheet:
    channel: Sheet = {
        "column": column,
        "name": word,
        "measures": word,
        "unit": "V",
        "gain": FILL_IN,
        "full_scale": "10 V",
    }
    natural_hz = plan.balance.available_hz
    if natural_hz is not None and word in (*FORCES, *MOMENTS):
        channel["natural_frequency"] = f"{natural_hz:g} Hz"
    return channel


def _tap(plan: Plan, column: int, number: int) -> Sheet:
    tube = plan.tube
    return {
        "column": column,
        "name": f"tap {number}",
        "measures": "pressure",
        "unit": "V",
        "gain": FILL_IN,
        "full_scale": "10 V",
        "tubing": {
            "length": FILL_IN,
            "diameter": f"{1e3 * tube.bore_m:.4g} mm",
            "volume": f"{1e9 * tube.volume_m3:.4g} mm^3",
        },
    }
