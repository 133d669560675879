"""From bridges to coefficients: a balance gives what the same loads recorded directly give."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet import RunResult, analyse, run_result
from ingest import open_campaign
from tests.buffet.campaigns import (
    CAMPAIGN,
    WIND_M_S,
    PlantedRun,
    band_noise,
    run_buffet,
    write_runs,
)
from tests.ingest.balances import balance_table, outputs_by_hand
from tests.ingest.campaigns import toml

Array = NDArray[np.float64]
SECONDS = 30.0
# The balance's centre 0.1 m above the ground and 0.05 m ahead of the origin.
TABLE = balance_table(
    bridges=["b1", "b2", "b3"],
    loads=["drag", "lift", "pitch moment"],
    load_units=["N", "N", "N m"],
    reference_point=["-0.05 m", "0 m", "0.1 m"],
    matrix=[[0.011, 0.0005, 0.0], [-0.0002, 0.004, 0.0003], [0.0, 0.00002, 0.02]],
) | {
    "term": [
        {"output": "b1", "inputs": ["lift", "lift"], "kind": "FG", "coefficient": 1e-6},
        {"output": "b3", "inputs": ["drag", "lift"], "kind": "|F|G", "coefficient": 1e-7},
    ],
    "envelope": {"drag": [-200, 200], "lift": [-500, 500], "pitch moment": [-60, 60]},
    "uncertainty": {"drag": "0.2 N", "lift": "0.4 N"},
}
ZERO_V = np.array([[0.4], [-0.2], [0.1]])


def at_origin(loads: Array) -> Array:
    """Drag, lift and pitch moment about the origin, by the moment's arms, written out."""
    drag, lift, pitch = loads
    return np.array([drag, lift, pitch + 0.1 * drag + 0.05 * lift])


def planted(kind: str, seed: int) -> Array:
    """Loads about the balance's centre in newtons, (3, n)."""
    noise = [band_noise(seed + i, rms, SECONDS) for i, rms in enumerate((1.0, 5.0, 1.0))]
    steady = np.array([[60.0], [25.0], [-4.0]]) if kind == "wind" else np.zeros((3, 1))
    return steady + np.array(noise) * (1.0 if kind == "wind" else 0.01)


def as_bridges(loads: Array) -> dict[str, Array]:
    """What the logger writes, in volts."""
    own = TABLE["balance"]
    readings = outputs_by_hand(own["matrix"], TABLE["term"], loads, own["bridges"], own["loads"])
    return dict(zip(own["bridges"], readings + ZERO_V, strict=True))


class _BridgeRun(PlantedRun):
    def sheet(self) -> dict[str, Any]:
        """Channels that measure bridges."""
        sheet = super().sheet()
        for channel in sheet["channel"]:
            channel |= {"measures": "bridge", "unit": "V"}
        return sheet


def results(folder: Path) -> dict[str, RunResult]:
    """Every run's results by number."""
    analysis = analyse(open_campaign(folder))
    assert not analysis.failed
    return {run.run.number: run_result(run) for run in analysis.chosen(None)}


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same campaign logged as bridges and as loads about the origin."""
    folder = tmp_path_factory.mktemp("balance")
    loads = {"0": planted("still", 1), "1": planted("wind", 11)}
    bridges = [
        _BridgeRun("0", as_bridges(loads["0"]), None),
        _BridgeRun("1", as_bridges(loads["1"]), zero="0"),
    ]
    named = {n: dict(zip(TABLE["balance"]["loads"], at_origin(x), strict=True))
             for n, x in loads.items()}  # fmt: skip
    units = {"drag": "N", "lift": "N", "pitch moment": "N m"}
    direct = [
        PlantedRun("0", named["0"], None, units),
        PlantedRun("1", named["1"], units=units, zero="0"),
    ]
    write_runs(folder / "a", bridges, CAMPAIGN | {"balance": {"file": "balance.toml"}})
    (folder / "a" / "balance.toml").write_text(toml(TABLE), encoding="utf-8")
    write_runs(folder / "b", direct)
    return folder / "a", folder / "b"


def test_coefficients_are_those_of_the_loads(folders: tuple[Path, Path]) -> None:
    """Mean, RMS and spectrum of measured and derived components, moments about the origin."""
    ours, theirs = (results(folder)["1"] for folder in folders)

    assert [q.quantity.name for q in ours.quantities] == [
        "drag", "lift", "pitch moment", "front lift", "rear lift",
    ]  # fmt: skip
    for own, other in zip(ours.quantities, theirs.quantities, strict=True):
        assert own.quantity.name == other.quantity.name
        assert own.mean.value == pytest.approx(other.mean.value, abs=2e-6)
        assert own.rms is not None
        assert other.rms is not None
        assert own.rms.value == pytest.approx(other.rms.value, rel=1e-4)
        # what white noise of a wind-off run's zero makes of the terms that are not linear
        np.testing.assert_allclose(own.psd, other.psd, rtol=1e-2, atol=1e-4 * other.psd.max())


def test_calibration_uncertainty_is_carried(folders: tuple[Path, Path]) -> None:
    """0.4 N over q A; of front lift nothing is known, since the pitch moment's is not stated."""
    run = json.loads(run_buffet("spectra", folders[0], "--run", "1", "--json").stdout)["runs"][0]
    found = {c["name"]: (c["calibration_uncertainty"], c["calibration_uncertainty_why"])
             for c in run["channels"]}  # fmt: skip
    pressure_pa = run["dynamic_pressure_pa"]

    assert pressure_pa == pytest.approx(0.6 * WIND_M_S**2, rel=0.01)
    assert found["lift"] == (pytest.approx(0.4 / (pressure_pa * 0.194)), None)
    assert found["front lift"] == (None, "no uncertainty of its calibration is stated")
    (step,) = [s for s in run["provenance"]["steps"] if s["name"] == "apply balance"]
    assert step["settings"]["form"] == "iterative"
    direct = json.loads(run_buffet("spectra", folders[1], "--run", "1", "--json").stdout)
    assert direct["runs"][0]["channels"][0]["calibration_uncertainty"] is None


def test_a_dead_bridge_takes_its_loads_with_it(tmp_path: Path) -> None:
    """b2 stands still: lift, and what is made of it, is dead; drag needs 4 % of it, pitch none."""
    table = TABLE | {"term": [], "balance": TABLE["balance"] | {"reference_point": [0, 0, 0]}}
    readings = as_bridges(planted("wind", 21))
    readings["b2"] = np.full_like(readings["b2"], 0.25)
    write_runs(tmp_path / "c", [_BridgeRun("1", readings)],
               CAMPAIGN | {"balance": {"file": "balance.toml"}})  # fmt: skip
    (tmp_path / "c" / "balance.toml").write_text(toml(table), encoding="utf-8")

    analysis = results(tmp_path / "c")["1"].analysis
    names = [q.name for q in analysis.signal.quantities]

    assert dict(zip(names, analysis.dead, strict=True)) == {
        "drag": True,
        "lift": True,
        "pitch moment": False,
        "front lift": True,
        "rear lift": True,
    }


def test_check_tells_of_bridges_and_loads(folders: tuple[Path, Path]) -> None:
    """The note on interactions stands among the findings, and nothing is an error."""
    done = run_buffet("check", folders[0])

    assert done.exit_code == 0, done.stdout
    assert "[balance-interactions]" in done.stdout
