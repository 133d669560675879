"""A campaign folder is read as a whole, or refused with every fault it has."""

from __future__ import annotations

import copy
import math
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from ingest import (
    Campaign,
    NoCampaignError,
    SheetError,
    UnknownRunError,
    open_campaign,
    read_vehicle,
)
from tests.ingest.campaigns import CAMPAIGN, LIFT, VEHICLE, run_sheet, three_runs, write_campaign
from tests.ingest.fault_cases import CAMPAIGN_FAULTS, RUN_FAULTS, VEHICLE_FAULTS


def faults_of(folder: Path) -> list[str]:
    """The faults of a campaign as text."""
    with pytest.raises(SheetError) as caught:
        open_campaign(folder)
    return [str(fault) for fault in caught.value.faults]


@pytest.fixture
def campaign(tmp_path: Path) -> Campaign:
    """The small campaign, opened."""
    return open_campaign(write_campaign(tmp_path))


def test_sheets_become_si(campaign: Campaign) -> None:
    """Every quantity arrives in SI under its own name."""
    run = campaign.run("014")
    lift, tap = run.channels

    assert campaign.title == "Hatchback tailgate spoilers"
    assert campaign.model is not None
    assert campaign.model.frontal_area_m2 == 0.194
    assert campaign.test_section is not None
    assert campaign.test_section.area_m2 == 4.5
    assert campaign.vehicle is not None
    assert campaign.vehicle.front.wheel_rate_n_m == 20000.0
    assert run.started == datetime(2026, 3, 2, 10, 14, tzinfo=UTC)
    assert run.air.temperature_k == pytest.approx(295.15)
    assert run.air.static_pressure_pa == pytest.approx(100600.0)
    assert run.clock.rate_hz == 1000.0
    assert run.antialias_cutoff_hz == 400.0
    assert run.sources == ("runs/014.csv",)
    assert (lift.scale, lift.unit, lift.full_scale_raw) == (250.0, "N", 10.0)
    assert (lift.natural_frequency_hz, lift.damping) == (38.0, 0.02)
    assert tap.at_m == (0.58, -0.20, 0.30)
    assert tap.unit == "Pa"


def test_taps_of_a_row_say_so(tmp_path: Path) -> None:
    """A name that two or more taps share; the others have none."""
    runs = three_runs()
    tap = runs["014"]["channel"][1]
    further = {**tap, "column": "p08", "name": "tailgate right", "at": ["0.58 m", "0.2 m", "0.3 m"]}
    runs["014"]["channel"][1:] = [tap | {"row": "tailgate"}, further | {"row": "tailgate"}]

    channels = open_campaign(write_campaign(tmp_path, runs)).run("014").channels

    assert [channel.row for channel in channels] == [None, "tailgate", "tailgate"]


def test_runs_are_told_apart_and_sorted_by_number(tmp_path: Path) -> None:
    """Run 9 comes before run 10, and the baseline leads the configurations."""
    runs = {
        "10": run_sheet("10", configuration="bare tailgate"),
        "9": run_sheet("9", configuration="wing"),
        "8": run_sheet("8", "wind-off"),
        "9b": run_sheet("9b", configuration="long spoiler"),
    }
    campaign = open_campaign(write_campaign(tmp_path, runs))

    assert [run.number for run in campaign.runs] == ["8", "9", "9b", "10"]
    assert [run.number for run in campaign.wind_on] == ["9", "9b", "10"]
    assert [run.number for run in campaign.wind_off] == ["8"]
    assert campaign.configurations == ("bare tailgate", "wing", "long spoiler")


def test_a_campaign_needs_a_title_and_runs_only(tmp_path: Path) -> None:
    """Without model, section, vehicle and baseline the sheets are fine, even without wind."""
    runs = {"1": run_sheet("1")}
    del runs["1"]["air"]
    campaign = open_campaign(
        write_campaign(tmp_path, runs, {"format": 1, "campaign": {"title": "t"}})
    )

    assert (campaign.model, campaign.vehicle, campaign.baseline) == (None, None, None)
    assert campaign.configurations == ("bare tailgate",)


def test_unknown_run_number_names_the_nearest(campaign: Campaign) -> None:
    """A mistyped number is answered with the one that was meant."""
    with pytest.raises(UnknownRunError, match=r"has no run '0014'; did you mean '014'\?"):
        campaign.run("0014")


def test_unknown_run_number_may_lack_its_zeros(campaign: Campaign) -> None:
    """The same number without its leading zero is the nearest."""
    with pytest.raises(UnknownRunError, match=r"has no run '14'; did you mean '014'\?"):
        campaign.run("14")


def test_folder_without_campaign_toml_says_how_to_make_one(tmp_path: Path) -> None:
    """The message names the folder and the command that writes an example."""
    with pytest.raises(NoCampaignError, match=r"no campaign\.toml in .*buffet demo FOLDER"):
        open_campaign(tmp_path)


def put(sheet: dict[str, Any], place: tuple[str | int, ...], value: Any) -> None:
    """Write a value at a place in nested tables; None removes it."""
    inner: Any = sheet
    for part in place[:-1]:
        inner = inner[part]
    if value is None:
        del inner[place[-1]]
    else:
        inner[place[-1]] = value


@pytest.mark.parametrize(
    ("place", "value", "fault"), [c[1:] for c in RUN_FAULTS], ids=[c[0] for c in RUN_FAULTS]
)
def test_each_fault_of_a_run_sheet_has_its_own_message(
    tmp_path: Path, place: tuple[str | int, ...], value: Any, fault: str
) -> None:
    """One wrong entry gives one fault, which names file, key, what was given and wanted."""
    runs = three_runs() | {"017": run_sheet("017")}
    put(runs["014"], place, value)

    faults = faults_of(write_campaign(tmp_path, runs))

    assert len(faults) == 1
    assert faults[0].startswith(f"runs/014.toml: {fault}")


@pytest.mark.parametrize(
    ("place", "value", "fault"),
    [c[1:] for c in CAMPAIGN_FAULTS],
    ids=[c[0] for c in CAMPAIGN_FAULTS],
)
def test_each_fault_of_the_campaign_has_its_own_message(
    tmp_path: Path, place: tuple[str | int, ...], value: Any, fault: str
) -> None:
    """One wrong entry in campaign.toml gives one fault."""
    sheet = copy.deepcopy(CAMPAIGN)
    put(sheet, place, value)

    faults = faults_of(write_campaign(tmp_path, campaign=sheet))

    assert len(faults) == 1
    assert faults[0].startswith(f"campaign.toml: {fault}")


@pytest.mark.parametrize(
    ("place", "value", "fault"),
    [c[1:] for c in VEHICLE_FAULTS],
    ids=[c[0] for c in VEHICLE_FAULTS],
)
def test_each_fault_of_the_vehicle_has_its_own_message(
    tmp_path: Path, place: tuple[str | int, ...], value: Any, fault: str
) -> None:
    """One wrong entry in vehicle.toml gives one fault."""
    sheet = copy.deepcopy(VEHICLE)
    put(sheet, place, value)

    faults = faults_of(write_campaign(tmp_path, vehicle=sheet))

    assert len(faults) == 1
    assert faults[0].startswith(f"vehicle.toml: {fault}")


def test_all_faults_of_all_sheets_come_at_once(tmp_path: Path) -> None:
    """Nobody has to repair a campaign one message at a time."""
    runs = three_runs()
    put(runs["012"], ("channel", 0, "gain"), "250 Pa/V")
    put(runs["014"], ("run", "zero_after"), "018")
    put(runs["014"], ("air", "speed"), "0 m/s")
    put(runs["016"], ("sampling", "rat"), 3)
    campaign, vehicle = copy.deepcopy(CAMPAIGN), copy.deepcopy(VEHICLE)
    put(campaign, ("campaign", "baseline"), "none")
    put(vehicle, ("vehicle", "mass"), "1150 N")

    faults = faults_of(write_campaign(tmp_path, runs, campaign, vehicle))

    assert sorted(fault.rsplit(": ", 1)[0] for fault in faults if fault) == [
        "campaign.toml: campaign.baseline",
        "runs/012.toml: channel[0].gain",
        "runs/014.toml: air.speed",
        "runs/014.toml: run.zero_after",
        "runs/016.toml: sampling.rat",
        "vehicle.toml: vehicle.mass",
    ]


def test_two_runs_with_one_number_name_both_sheets(tmp_path: Path) -> None:
    """The second sheet is at fault and points at the first."""
    runs = three_runs() | {"017": run_sheet("016", "wind-off")}

    assert faults_of(write_campaign(tmp_path, runs)) == [
        "runs/017.toml: run.number: '016' is already used in runs/016.toml"
    ]


def test_a_folder_without_run_sheets_is_a_fault(tmp_path: Path) -> None:
    """A campaign without runs has nothing to analyse."""
    assert faults_of(write_campaign(tmp_path, {})) == [
        "runs: no run sheets; wanted one runs/*.toml per recording"
    ]


def test_wind_off_run_with_wind_is_a_fault(tmp_path: Path) -> None:
    """A stated speed contradicts a wind-off run."""
    runs = three_runs()
    runs["012"]["air"] = {"speed": "40 m/s"}

    assert faults_of(write_campaign(tmp_path, runs)) == [
        "runs/012.toml: air.speed: a wind-off run has no wind, got '40 m/s'; remove it"
    ]


@pytest.mark.parametrize("measures", ["air speed", "dynamic pressure"])
def test_a_channel_may_measure_the_wind(tmp_path: Path, measures: str) -> None:
    """No stated speed is needed where a channel measures it."""
    runs = three_runs()
    del runs["014"]["air"]["speed"]
    unit = "m/s" if measures == "air speed" else "hPa"
    runs["014"]["channel"].append({"column": 0, "name": "wind", "measures": measures, "unit": unit})

    assert open_campaign(write_campaign(tmp_path, runs)).run("014").air.speed_m_s is None


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        (b"format = 1\n[run\n", "is not valid TOML: "),
        (b"format = 1\na = " + b"9" * 5000, "is not valid TOML: "),
        (b"format = '\xff'", "is not UTF-8 text: byte 10 cannot be read"),
        (b"a = " + b"[" * 5000, "is nested too deeply to be a sheet"),
    ],
)
def test_a_sheet_that_cannot_be_read_is_one_fault(
    tmp_path: Path, content: bytes, fault: str
) -> None:
    """TOML errors name the file and the line."""
    folder = write_campaign(tmp_path)
    (folder / "runs" / "020.toml").write_bytes(content)

    (text,) = faults_of(folder)

    assert text.startswith(f"runs/020.toml: {fault}")
    assert "line 2" in text or "TOML" not in text or "digits" in text


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    """A link does not carry a recording or a sheet out of the campaign."""
    outside = tmp_path / "outside.csv"
    outside.write_text("bal_fz,p07\n1,2\n")
    folder = write_campaign(tmp_path / "campaign")
    (folder / "runs" / "014.csv").unlink()
    os.symlink(outside, folder / "runs" / "014.csv")
    os.symlink(outside, folder / "runs" / "020.toml")

    assert faults_of(folder) == [
        "runs/014.toml: run.recording: must stay inside the campaign folder, got '014.csv'",
        "runs/020.toml: is a link out of the campaign folder",
    ]


def test_a_recording_may_lie_elsewhere_in_the_folder(tmp_path: Path) -> None:
    """Only the campaign folder is the limit, not the sheet's own folder."""
    runs = three_runs()
    runs["014"]["run"]["recording"] = "../recordings/a.csv"
    folder = write_campaign(tmp_path, runs)
    (folder / "recordings").mkdir()
    (folder / "recordings" / "a.csv").write_text("bal_fz,p07\n1,2\n")

    assert open_campaign(folder).run("014").sources == ("recordings/a.csv",)


def test_file_and_sampling_keys_reach_the_reader(tmp_path: Path) -> None:
    """Every key of [file] and [sampling] arrives, in SI."""
    runs = three_runs()
    runs["014"]["file"] = {
        "delimiter": ";",
        "decimal": ",",
        "encoding": "utf-8",
        "skip_rows": 3,
        "header_row": 2,
        "units_row": 3,
        "comment": "#",
        "missing": ["999.999", "NAN"],
        "orientation": "columns",
    }
    runs["014"]["sampling"] = {
        "time_column": "t",
        "time_unit": "ms",
        "time_format": "iso",
        "from": "5 s",
        "to": "1 min",
    }
    run = open_campaign(write_campaign(tmp_path, runs)).run("014")

    assert run.file_options.missing == ("999.999", "NAN")
    assert (run.file_options.header_row, run.file_options.units_row) == (2, 3)
    assert (run.clock.rate_hz, run.clock.time_column, run.clock.time_unit_s) == (None, "t", 1e-3)
    assert (run.clock.from_s, run.clock.to_s) == (5.0, 60.0)


def test_vehicle_alone_is_read_with_its_axles(tmp_path: Path) -> None:
    """The full-scale car needs no campaign around it."""
    vehicle = read_vehicle(write_campaign(tmp_path) / "vehicle.toml")

    assert vehicle.mass_kg == 1150.0
    assert vehicle.steering is not None
    assert vehicle.steering.trail_m == pytest.approx(0.035)
    assert vehicle.road_load is not None
    assert vehicle.road_load.power_w == 74000.0
    assert vehicle.road_load.idle_power_w == 0.0
    assert vehicle.rear.damping_n_s_m == 1500.0
    assert vehicle.seat_at_m == (-0.1, -0.35, 0.6)


def test_vehicle_alone_names_its_faults(tmp_path: Path) -> None:
    """A missing file and a faulty one are both sheet errors."""
    with pytest.raises(SheetError, match=r"car\.toml: cannot be read: No such file"):
        read_vehicle(tmp_path / "car.toml")
    (tmp_path / "car.toml").write_text("format = 1")
    with pytest.raises(SheetError, match=r"car\.toml: vehicle: is missing; wanted a \[vehicle\]"):
        read_vehicle(tmp_path / "car.toml")


def test_yaw_is_an_angle(tmp_path: Path) -> None:
    """Degrees become radians."""
    runs = three_runs()
    runs["014"]["run"]["yaw"] = "90 deg"

    assert open_campaign(write_campaign(tmp_path, runs)).run("014").yaw_rad == math.pi / 2


def test_sheet_keeps_the_engineers_own_words(campaign: Campaign) -> None:
    """Provenance can print what was written, not only what it became."""
    run = campaign.run("014")

    assert run.channels[0].stated == LIFT
    assert run.stated["air"]["speed"] == "40 m/s"


def test_water_may_have_any_temperature_and_pressure(tmp_path: Path) -> None:
    """Where density and viscosity are stated, nothing follows from the air."""
    runs = three_runs()
    runs["014"]["air"] = {
        "speed": "2 m/s",
        "density": "972 kg/m^3",
        "viscosity": "0.35e-3 Pa s",
        "temperature": "80 degC",
        "static_pressure": "3 bar",
    }

    assert open_campaign(write_campaign(tmp_path, runs)).run("014").air.temperature_k == 353.15
