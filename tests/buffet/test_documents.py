"""The JSON that other people's scripts rely on: keys, intervals, reasons, no NaN."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest

from buffet import documents
from buffet.interval import Interval
from buffet.json_values import interval
from tests.buffet.campaigns import (
    CAMPAIGN,
    PlantedRun,
    band_noise,
    changed,
    lift_run,
    run_buffet,
    two_configurations,
    write_runs,
    write_sheet,
)

Document = dict[str, Any]
SPEED = ("--speed", "130 km/h")
SHORT_SEARCH = ("--up-to", "140 km/h")

RUN_KEYS = {
    "run", "strouhal", "strouhal_why", "configuration", "speed_m_s", "dynamic_pressure_pa",
    "sample_rate_hz", "duration_s", "segment_s", "degrees_of_freedom", "channels",
}  # fmt: skip
CHANNEL_KEYS = {"name", "measures", "unit", "mean", "rms", "peaks", "frequency_hz", "psd"}
PEAK_KEYS = {
    "frequency_hz", "strouhal", "bandwidth_hz", "rms", "p_value", "kind", "class", "class_why",
    "source",
}  # fmt: skip
CONFIGURATION_KEYS = {"name", "verdict", "why", "onset_speed_m_s", "usable_band_hz", "criteria"}
CRITERION_KEYS = {
    "id", "metric", "unit", "limit_possible", "limit_likely", "p_possible", "p_likely", "verdict",
    "source",
}  # fmt: skip
ROW_KEYS = {
    "configuration", "speed_m_s", "speed_km_h", "dynamic_pressure_pa", "drag_n", "front_lift_n",
    "rear_lift_n", "lift_rms_n", "rear_lift_rms_n", "side_force_rms_n", "peak_frequency_hz",
    "weighted_acceleration_m_s2", "steering_torque_rms_n_m", "verdict",
}  # fmt: skip
ADD_ON_KEYS = {
    "name", "rms_ratio", "p_value", "delta_drag", "delta_front_lift", "delta_rear_lift",
    "fuel_change_percent", "top_speed_change_percent",
}  # fmt: skip
INTERVAL_KEYS = {"value", "low", "high", "level"}
VERDICTS = ["likely", "possible", "undetermined", "unlikely"]


def no_constant(name: str) -> NoReturn:
    """NaN and Infinity are no JSON."""
    raise AssertionError(f"{name} in JSON")


def printed(*arguments: object) -> Document:
    """What a command prints with --json."""
    result = run_buffet(*arguments, "--json")
    assert result.exit_code == 0, result.stderr
    return dict(json.loads(result.stdout, parse_constant=no_constant))


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car and a spoiler, drag, lift and pitch moment."""
    return two_configurations(tmp_path_factory.mktemp("documents") / "campaign")


@pytest.fixture(scope="module")
def spectra(campaign: Path) -> Document:
    """Of all runs."""
    return printed("spectra", campaign)


@pytest.fixture(scope="module")
def rating(campaign: Path) -> Document:
    """At 130 km/h."""
    return printed("rate", campaign, *SPEED, *SHORT_SEARCH)


@pytest.fixture(scope="module")
def table(campaign: Path) -> Document:
    """60, 100 and 140 km/h."""
    return printed("table", campaign, "--to", "140 km/h", "--step", "40 km/h")


@pytest.fixture(scope="module")
def comparison(campaign: Path) -> Document:
    """At 130 km/h."""
    return printed("compare", campaign, *SPEED)


def is_interval(value: Any) -> bool:
    """Value between its limits, at a level."""
    assert set(value) == INTERVAL_KEYS
    assert value["level"] == 0.95
    limits = [limit for limit in (value["low"], value["high"]) if limit is not None]
    assert value["low"] is None or value["low"] <= value["value"]
    assert value["high"] is None or value["value"] <= value["high"]
    return bool(limits)


def nulls(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Path of every null, with the object that holds it."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if inner is None:
                yield f"{path}.{key}", value
            yield from nulls(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for inner in value:
            yield from nulls(inner, path)


def test_spectra_keys(spectra: Document) -> None:
    """Every run, wind-off ones too, has the keys; quantities have a unit and peaks their own."""
    assert (spectra["format"], spectra["version"]) == ("buffet/spectra", 1)
    assert [run["run"] for run in spectra["runs"]] == ["0", "1", "2"]
    for run in spectra["runs"]:
        assert set(run) >= RUN_KEYS
        assert isinstance(run["run"], str)
        for channel in run["channels"]:
            assert set(channel) >= CHANNEL_KEYS
            assert channel["unit"]
            assert is_interval(channel["mean"])
            assert is_interval(channel["rms"])
            assert len(channel["psd"]) == len(channel["frequency_hz"]) > 10


def test_spectra_of_a_run(spectra: Document) -> None:
    """Rate, length, wind and dynamic pressure are those planted: 1.2 kg/m³ · (40 m/s)² / 2."""
    run = spectra["runs"][1]

    assert (run["configuration"], run["speed_m_s"]) == ("bare", 40)
    assert run["sample_rate_hz"] == 250
    assert run["duration_s"] == 60
    assert run["dynamic_pressure_pa"] == pytest.approx(960, rel=0.01)
    lift = {channel["name"]: channel for channel in run["channels"]}["lift"]
    assert lift["rms"]["value"] == pytest.approx(0.03, rel=0.03)
    assert lift["mean"]["value"] == pytest.approx(0.10, abs=0.002)
    # White to 125 Hz: the density is the variance over the band.
    assert np.mean(lift["psd"][2:-1]) == pytest.approx(0.03**2 / 125, rel=0.05)


def test_peaks_are_intervals(tmp_path: Path) -> None:
    """A planted resonance at 20 Hz gives a peak with all its fields, St = f L / U."""
    rng = np.random.default_rng(1)
    n = 60 * 250
    f = np.fft.rfftfreq(n, 1 / 250)
    shape = 1 / np.sqrt((400 - f**2) ** 2 + (3 * f) ** 2)
    lift = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) * shape, n)
    lift = 0.02 * lift / lift.std() + band_noise(2, 0.002, 60)
    write_runs(tmp_path / "c", [PlantedRun("1", {"lift": lift})])
    (run,) = printed("spectra", tmp_path / "c", "--run", "1")["runs"]
    peak = run["channels"][0]["peaks"][0]

    assert set(peak) == PEAK_KEYS
    for key in ("frequency_hz", "strouhal", "bandwidth_hz", "rms"):
        assert is_interval(peak[key])
    assert peak["frequency_hz"]["value"] == pytest.approx(20, abs=0.3)
    assert peak["strouhal"]["value"] == pytest.approx(20 * 0.435 / 40, rel=0.015)
    assert run["strouhal"] == peak["strouhal"]
    assert 0 <= peak["p_value"] < 0.05
    assert peak["kind"] in ("broad", "harmonic", "line")
    assert peak["class"] in ("scales with speed", "fixed frequency", "undecided")


def test_rating_keys(rating: Document) -> None:
    """The baseline is listed too; every criterion has its keys and probabilities."""
    assert (rating["format"], rating["version"]) == ("buffet/rating", 1)
    assert rating["speed_m_s"] == pytest.approx(130 / 3.6)
    assert {one["name"] for one in rating["configurations"]} == {"bare", "spoiler"}
    for one in rating["configurations"]:
        assert set(one) >= CONFIGURATION_KEYS
        assert one["verdict"] in VERDICTS
        low, high = one["usable_band_hz"]
        assert 0 < low < high
        for row in one["criteria"]:
            assert set(row) >= CRITERION_KEYS
            assert row["source"]
            # Neither side force nor cabin pressure was measured, and the white wakes do not switch.
            if row["id"] in ("lateral", "yaw-rate", "state-change", "cabin"):
                assert row["metric"] is row["verdict"] is None
                assert row["why"]
                assert row["budget"] == {}
                continue
            assert is_interval(row["metric"])
            assert 0 <= row["p_likely"] <= row["p_possible"] <= 1
            assert sum(row["budget"].values()) == pytest.approx(1)


def test_rating_is_worst_first(rating: Document) -> None:
    """The bare car, with twice the fluctuation, comes first."""
    verdicts = [one["verdict"] for one in rating["configurations"]]

    assert [one["name"] for one in rating["configurations"]] == ["bare", "spoiler"]
    assert verdicts == sorted(verdicts, key=VERDICTS.index)


def test_onset_is_an_interval_or_has_a_reason(rating: Document) -> None:
    """Reached by the bare car below 140 km/h, not by the spoiler."""
    bare, spoiler = rating["configurations"]

    assert is_interval(bare["onset_speed_m_s"])
    assert spoiler["onset_speed_m_s"] is None
    assert spoiler["onset_why"].startswith("none from ")
    assert spoiler["onset_why"].endswith(" up to 140 km/h")


def test_table_keys(table: Document) -> None:
    """One row a configuration and speed, forces growing with the square of speed."""
    assert (table["format"], table["version"]) == ("buffet/table", 1)
    rows = [row for row in table["rows"] if row["configuration"] == "bare"]

    assert len(table["rows"]) == 6
    assert all(set(row) >= ROW_KEYS for row in table["rows"])
    assert [row["speed_km_h"] for row in rows] == pytest.approx([60, 100, 140])
    assert rows[2]["drag_n"] / rows[0]["drag_n"] == pytest.approx((140 / 60) ** 2)
    assert rows[0]["side_force_rms_n"] is None
    assert rows[0]["side_force_rms_n_why"]


def test_comparison_keys(comparison: Document) -> None:
    """The baseline is not among the configurations."""
    assert (comparison["format"], comparison["version"]) == ("buffet/comparison", 1)
    assert comparison["baseline"] == "bare"
    assert [one["name"] for one in comparison["configurations"]] == ["spoiler"]
    (spoiler,) = comparison["configurations"]
    assert set(spoiler) >= ADD_ON_KEYS
    assert set(spoiler["rms_ratio"]) == set(spoiler["p_value"])
    assert {"drag", "lift", "front lift", "rear lift", "pitch moment"} == set(spoiler["p_value"])
    assert all(is_interval(ratio) for ratio in spoiler["rms_ratio"].values())
    for key in sorted(ADD_ON_KEYS - {"name", "rms_ratio", "p_value"}):
        assert is_interval(spoiler[key])
    assert set(comparison["recommendation"]) >= {"configuration", "why"}


@pytest.mark.parametrize("command", ["spectra", "rating", "table", "comparison"])
def test_every_null_has_a_reason(command: str, request: pytest.FixtureRequest) -> None:
    """Beside a contract's key that is null stands `..._why`; `why` itself may be null."""
    contract = RUN_KEYS | CHANNEL_KEYS | CONFIGURATION_KEYS | CRITERION_KEYS | ROW_KEYS
    document = request.getfixturevalue(command)
    for path, holder in nulls(document):
        key = path.rsplit(".", 1)[1]
        if key not in contract or key in ("configuration", "why"):  # a wind-off run has none
            continue
        reasons = [f"{key}_why", f"{key.split('_speed')[0]}_why", "flow_why", "why"]
        reasons += ["strouhal_why"] if key == "frequency_hz" else []
        assert any(holder.get(reason) for reason in reasons), path


def test_components_that_were_not_measured_are_null_with_a_reason(tmp_path: Path) -> None:
    """Drag alone: nothing vertical can be rated, nor its lift compared."""
    runs = [
        PlantedRun(n, {"drag": 0.3 + band_noise(int(n), 0.01, 20)}, name)
        for n, name in (("1", "bare"), ("2", "spoiler"))
    ]
    folder = write_runs(tmp_path / "c", runs)
    rated = printed("rate", folder, *SPEED, *SHORT_SEARCH)["configurations"]
    (spoiler,) = printed("compare", folder, *SPEED)["configurations"]

    for one in rated:
        assert one["verdict"] == "undetermined"
        assert "lift was not measured" in one["why"]
        for row in one["criteria"]:
            assert row["metric"] is row["verdict"] is row["p_possible"] is None
            assert re.search(
                r"(lift|side force).* (was|were) not measured|no channel measures", row["why"]
            )
    assert spoiler["delta_drag"] is not None
    assert spoiler["delta_rear_lift"] is None
    assert "rear lift was not measured" in spoiler["missing"]["delta_rear_lift"]


def test_spectra_without_model_baseline_or_wind_is_in_si(tmp_path: Path) -> None:
    """A force logged in volts comes out in newtons, a pressure in hPa in pascals."""
    sheet = changed(changed(CAMPAIGN, ("model",), None), ("campaign", "baseline"), None)
    force = band_noise(1, 0.5, 20)
    run = PlantedRun(
        "1",
        {"lift": 2 + force, "pressure": force},
        units={"lift": "V", "pressure": "hPa"},
        air={},
    )
    volts = run.sheet()
    volts["channel"][0]["gain"] = "250 N/V"
    folder = write_runs(tmp_path / "c", [run], sheet)
    write_sheet(folder, "1", volts)
    (result,) = printed("spectra", folder)["runs"]
    lift, pressure = result["channels"]

    assert (lift["unit"], pressure["unit"]) == ("N", "Pa")
    assert lift["mean"]["value"] == pytest.approx(500, abs=2)
    assert lift["rms"]["value"] == pytest.approx(0.5 * 250, rel=0.03)
    assert pressure["rms"]["value"] == pytest.approx(50, rel=0.03)
    assert result["speed_m_s"] is result["dynamic_pressure_pa"] is result["strouhal"] is None
    assert result["flow_why"]
    assert result["strouhal_why"]


def test_pressures_are_coefficients_where_there_is_wind(tmp_path: Path) -> None:
    """48 Pa over the dynamic pressure of 960 Pa."""
    run = PlantedRun(
        "1", {"pressure": 96 + band_noise(1, 48, 20)}, units={"pressure": "Pa"},
        air={"dynamic_pressure": "960 Pa"},
    )  # fmt: skip
    (result,) = printed("spectra", write_runs(tmp_path / "c", [run]))["runs"]
    (pressure,) = result["channels"]

    assert pressure["unit"] == "1"
    assert pressure["mean"]["value"] == pytest.approx(0.1, abs=0.003)
    assert pressure["rms"]["value"] == pytest.approx(0.05, rel=0.03)


def test_noise_without_wind_is_taken_out(tmp_path: Path) -> None:
    """0.03 and a noise of 0.02 in the record: 0.03 is what is left, 0.02 what was removed."""
    noisy = lift_run("1", 0.03)
    more = {
        word: s + band_noise(7 + i, 0.02, 60) for i, (word, s) in enumerate(noisy.samples.items())
    }
    off = PlantedRun("0", {word: band_noise(17 + i, 0.02, 60) for i, word in enumerate(more)}, None)
    folder = write_runs(tmp_path / "c", [off, replace(noisy, samples=more, zero="0")])
    (run,) = printed("spectra", folder, "--run", "1")["runs"]
    lift = {channel["name"]: channel for channel in run["channels"]}["lift"]

    assert lift["rms"]["low"] <= 0.03 <= lift["rms"]["high"]
    assert lift["noise_rms"] == pytest.approx(0.02, rel=0.05)


def test_limits_that_are_not_finite_are_null() -> None:
    """JSON knows no infinity."""
    assert interval(Interval(1.0, float("-inf"), float("inf"))) == {
        "value": 1.0,
        "low": None,
        "high": None,
        "level": 0.95,
    }
    with pytest.raises(ValueError, match="not JSON compliant"):
        documents.dumps({"value": float("nan")})
