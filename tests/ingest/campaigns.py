"""Small campaign folders to break in one place at a time."""

from __future__ import annotations

import copy
import json
from datetime import datetime
from pathlib import Path
from typing import Any

CAMPAIGN: dict[str, Any] = {
    "format": 1,
    "campaign": {"title": "Hatchback tailgate spoilers", "baseline": "bare tailgate"},
    "model": {
        "scale": 0.30,
        "frontal_area": "0.194 m^2",
        "wheelbase": "0.775 m",
        "strouhal_length": "0.435 m",
        "strouhal_length_is": "body height",
    },
    "test_section": {"kind": "closed", "area": "4.5 m^2"},
    "vehicle": {"file": "vehicle.toml"},
}

AXLE = {
    "track": "1.48 m",
    "unsprung_mass": "38 kg",
    "wheel_rate": "20 kN/m",
    "damping": "1500 N s/m",
    "tyre_stiffness": "190 kN/m",
    "cornering_stiffness": "40 kN/rad",
    "relaxation_length": "0.4 m",
    "roll_stiffness": "10 kN m/rad",
}

VEHICLE: dict[str, Any] = {
    "format": 1,
    "vehicle": {
        "name": "small hatchback",
        "source": "typical, from memory",
        "mass": "1150 kg",
        "wheelbase": "2.58 m",
        "front_axle_mass": "700 kg",
        "cg_height": "0.54 m",
        "pitch_inertia": "1500 kg m^2",
    },
    "front": AXLE,
    "rear": copy.deepcopy(AXLE),
    "seat": {"at": ["-0.1 m", "-0.35 m", "0.6 m"]},
    "steering": {"ratio": 15.5, "trail": "35 mm", "assist": 0.7},
    "road_load": {"rolling_resistance": 0.011, "power": "74 kW", "efficiency": 0.9},
    "spread": {"mass": 0.05},
}

LIFT: dict[str, Any] = {
    "column": "bal_fz",
    "name": "lift",
    "measures": "lift",
    "unit": "V",
    "gain": "250 N/V",
    "full_scale": "10 V",
    "natural_frequency": "38 Hz",
    "damping": 0.02,
}

TAP: dict[str, Any] = {
    "column": "p07",
    "name": "tailgate left",
    "measures": "pressure",
    "unit": "Pa",
    "at": ["0.58 m", "-0.20 m", "0.30 m"],
    "tubing": {"length": "500 mm", "diameter": "1.5 mm", "volume": "300 mm^3"},
}


def run_sheet(number: str, kind: str = "wind-on", **run: Any) -> dict[str, Any]:
    """A complete run sheet; wind-off ones without wind and configuration."""
    sheet: dict[str, Any] = {
        "format": 1,
        "run": {"number": number, "kind": kind, "recording": f"{number}.csv"},
        "sampling": {"rate": "1 kHz", "antialias_cutoff": "400 Hz"},
        "channel": [copy.deepcopy(LIFT), copy.deepcopy(TAP)],
    }
    if kind == "wind-on":
        sheet["run"] |= {"configuration": "bare tailgate"}
        sheet["air"] = {
            "speed": "40 m/s",
            "temperature": "22 degC",
            "static_pressure": "1006 hPa",
            "relative_humidity": 0.40,
        }
    sheet["run"] |= run
    return sheet


def three_runs() -> dict[str, dict[str, Any]]:
    """Wind-off, wind-on, wind-off, by file name."""
    return {
        "012": run_sheet("012", "wind-off", started=datetime.fromisoformat("2026-03-02T10:00Z")),
        "014": run_sheet(
            "014",
            started=datetime.fromisoformat("2026-03-02T10:14Z"),
            zero_before="012",
            zero_after="016",
            yaw="0 deg",
        ),
        "016": run_sheet("016", "wind-off", started=datetime.fromisoformat("2026-03-02T10:30Z")),
    }


def write_campaign(
    folder: Path,
    runs: dict[str, dict[str, Any]] | None = None,
    campaign: dict[str, Any] | None = None,
    vehicle: dict[str, Any] | None = None,
) -> Path:
    """Write a campaign with a ten-line recording for each run."""
    (folder / "runs").mkdir(parents=True, exist_ok=True)
    (folder / "campaign.toml").write_text(toml(CAMPAIGN if campaign is None else campaign))
    (folder / "vehicle.toml").write_text(toml(VEHICLE if vehicle is None else vehicle))
    for name, sheet in (three_runs() if runs is None else runs).items():
        (folder / "runs" / f"{name}.toml").write_text(toml(sheet))
        rows = "\n".join(f"{0.1 * i:.1f},{i % 3}" for i in range(10))
        (folder / "runs" / f"{name}.csv").write_text(f"bal_fz,p07\n{rows}\n")
    return folder


def toml(value: dict[str, Any]) -> str:
    """A table of tables as TOML, each inner value inline."""
    return "\n".join(f"{json.dumps(key)} = {_inline(inner)}" for key, inner in value.items())


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {_inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_inline, value)) + "]"
    return value.isoformat() if isinstance(value, datetime) else json.dumps(value)
