"""Speed traces: their files, the option of the commands that take them, and what these print."""

from __future__ import annotations

import json
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from buffet.errors import SpeedTraceError
from buffet.road_load.speed_trace import SpeedTrace, read_speed_trace
from buffet.vehicle import GRAVITY_M_S2
from ingest import read_vehicle
from tests.buffet.campaigns import run_buffet, two_configurations
from tests.ingest.campaigns import VEHICLE, toml

STEADY = "time_s,speed_km_h\n0,130\n100,130\n"


def written(folder: Path, text: str, name: str = "drive.csv") -> Path:
    """A file of this text."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def read(folder: Path, text: str) -> SpeedTrace:
    """The trace of a file of this text."""
    return read_speed_trace(written(folder, text))


@pytest.mark.parametrize(
    "text",
    [
        "time_s,speed_km_h\n0,0\n10,36\n20,72\n",
        "Speed_m_s;note;Time_s\n0;start;0\n10;;10\n20;end;20\n",
        "# a drive\ntime_s\tspeed_km_h\n0\t0,0\n10\t36,0\n\n20\t72,0\n",
        "\ufefftime_s,speed_m_s\n0,0\n10,10\n20,20\n",
    ],
)
def test_a_drive_is_read_however_it_is_written(text: str, tmp_path: Path) -> None:
    """Either speed, any order of columns, further columns, decimal commas, a byte order mark."""
    trace = read(tmp_path, text)

    np.testing.assert_allclose(trace.motion.time_s, [0, 10, 20])
    np.testing.assert_allclose(trace.motion.speed_m_s, [0, 10, 20])
    assert trace.motion.distance_m == pytest.approx(200)
    assert (trace.file, trace.motion.duration_s) == ("drive.csv", 20)
    assert trace.sha256 == sha256((tmp_path / "drive.csv").read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "holds no drive; wanted columns time_s and speed_km_h"),
        ("time_s,speed_km_h\n0,50\n", "holds no drive"),
        ("t,v\n0,50\n1,50\n", "line 1: the columns are t, v; wanted columns time_s"),
        ("time_s,speed_km_h,speed_m_s\n0,36,10\n1,36,10\n", "wanted columns time_s and speed_km_h"),
        ("time_s,speed_km_h\n0,50\n1,\n", "line 3: speed_km_h is ''; wanted a number"),
        ("time_s,speed_km_h\n0,50\n1,nan\n", "line 3: speed_km_h is 'nan'; wanted a number"),
        ("time_s,speed_km_h\n0,50\n1\n", "line 3: speed_km_h is ''; wanted a number"),
        ("time_s,speed_km_h\n0,-5\n9,5\n", "line 2: the speed is -5 km/h; wanted 0 to 500"),
        ("time_s,speed_m_s\n0,130\n9,150\n", "line 3: the speed is 540 km/h; wanted 0 to 500"),
        ("time_s,speed_km_h\n5,50\n4,50\n", "line 3: the time is 4 s after 5 s; wanted times that"),
        ("time_s,speed_km_h\n0,50\n0,60\n", "line 3: the time is 0 s after 0 s"),
        ("time_s,speed_km_h\n0,0\n1,100\n", "changes by +27.8 m/s², more than the 20 that a road"),
        ("time_s,speed_km_h\n0,0\n60,0\n", "the car never moves; wanted a drive"),
    ],
)
def test_what_is_no_drive_is_refused(text: str, told: str, tmp_path: Path) -> None:
    """With the file, the line and what was wanted."""
    with pytest.raises(SpeedTraceError) as caught:
        read(tmp_path, text)

    assert str(caught.value).startswith(f"{tmp_path / 'drive.csv'}")
    assert told in str(caught.value)


def test_faults_are_told_but_not_by_the_thousand(tmp_path: Path) -> None:
    """The first five, and how many more there are."""
    rows = "".join(f"{i},x\n" for i in range(40))
    with pytest.raises(SpeedTraceError) as caught:
        read(tmp_path, f"time_s,speed_km_h\n{rows}")

    assert str(caught.value).count("wanted a number") == 5
    assert "and 35 more" in str(caught.value)


def test_a_trace_cannot_be_changed_by_mistake(tmp_path: Path) -> None:
    """Its arrays are locked."""
    with pytest.raises(ValueError, match="read-only"):
        read(tmp_path, STEADY).motion.speed_m_s[0] = 1.0


def car(folder: Path, **road_load: Any) -> Path:
    """A vehicle sheet with these further keys of its road load."""
    table = VEHICLE | {"road_load": VEHICLE["road_load"] | road_load}
    return written(folder, toml(table), "car.toml")


def test_a_sheet_states_the_losses(tmp_path: Path) -> None:
    """Units as anywhere."""
    load = read_vehicle(
        car(tmp_path, idle_power="2.5 kW", recuperation=0.6, rotating_mass_share=0.04)
    ).road_load

    assert load is not None
    assert (load.idle_power_w, load.recuperation, load.rotating_mass_share) == (2500, 0.6, 0.04)


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car and a spoiler that costs 3 % of drag."""
    return two_configurations(tmp_path_factory.mktemp("drag") / "c", 20.0)


@pytest.fixture(scope="module")
def compared(campaign: Path) -> dict[str, Any]:
    """What `compare` prints with a trace of the rated speed itself, of a car with losses."""
    folder = campaign.parent
    sheet = car(folder, idle_power="2.5 kW")
    trace = written(folder, STEADY)
    done = run_buffet(
        "compare", campaign, "--speed", "130 km/h", "--car", sheet, "--speed-trace", trace, "--json"
    )
    assert done.exit_code == 0, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def test_compare_gives_the_energy_of_a_drive(compared: dict[str, Any]) -> None:
    """By hand from the measured drag: P = (½ ρ C_D A V² + c_rr m g) V / η + P_idle."""
    (spoiler,) = compared["configurations"]
    steady, over = (spoiler["road_load"][key] for key in ("constant_speed", "over_trace"))
    speed, area = 130 / 3.6, 0.194 / 0.30**2
    density = compared["road_load"]["air_density_kg_m3"]
    # The change of drag is of the baseline's coefficient, 0.32 as planted to its interval.
    coefficient = 100 * spoiler["delta_drag"]["value"] / spoiler["drag_change_percent"]["value"]
    drag = 0.5 * density * coefficient * area * speed**2 / 0.9
    rest = 0.011 * 1150 * GRAVITY_M_S2 / 0.9 + 2500 / speed

    assert coefficient == pytest.approx(0.32, abs=0.002)
    assert density == pytest.approx(1.20, abs=0.005)
    assert steady["elasticity"] == pytest.approx(drag / (drag + rest), rel=1e-9)
    assert steady["baseline_energy_j_m"] == pytest.approx(drag + rest, rel=1e-9)
    for limit in ("value", "low", "high"):
        by_hand = spoiler["drag_change_percent"][limit] * steady["elasticity"]
        assert steady["change_percent"][limit] == pytest.approx(by_hand, rel=1e-9)
        assert over["change_percent"][limit] == pytest.approx(by_hand, rel=1e-9)
    assert compared["speed_trace"]["distance_m"] == pytest.approx(100 * speed)
    assert spoiler["road_load"]["constant_speed_why"] is None


def test_text_and_table_hold_what_the_document_holds(
    campaign: Path, compared: dict[str, Any], tmp_path: Path
) -> None:
    """A row beside the rule of thumb, and columns of the table."""
    options = ("--speed", "130 km/h", "--car", campaign.parent / "car.toml")
    trace = ("--speed-trace", campaign.parent / "drive.csv")
    text = run_buffet("compare", campaign, *options, *trace)
    run_buffet("compare", campaign, *options, "-o", tmp_path / "c.csv")
    table = pd.read_csv(tmp_path / "c.csv")
    (spoiler,) = compared["configurations"]
    change = spoiler["road_load"]["constant_speed"]["change_percent"]

    assert "energy at this speed by road load, %" in text.stdout
    assert "energy over the trace by road load, %" in text.stdout
    assert "2.5 kW whatever the load" in text.stdout
    assert table["energy_change_percent_low"].iloc[0] == pytest.approx(change["low"])
    assert table["trace_energy_change_percent"].isna().all()


def test_the_report_tells_the_energy_too(
    campaign: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A column for the speed, one for the trace, and what they rest on; figures are not drawn."""
    for figures in ("spectrum_figures", "crossing_figures", "speed_figures"):
        monkeypatch.setattr(f"buffet.report.page.{figures}", lambda rating: [])
    page = tmp_path / "report.html"
    trace = ("--speed-trace", campaign.parent / "drive.csv")
    done = run_buffet("report", campaign, "--speed", "130 km/h", *trace, "-o", page)
    html = page.read_text(encoding="utf-8")

    assert done.exit_code == 0, done.stderr
    assert "Energy at 130 km/h by road load, %" in html
    assert "Energy over the speed trace, %" in html
    assert "Speed trace: drive.csv" in html


def test_a_faulty_trace_is_told_before_a_recording_is_read(campaign: Path, tmp_path: Path) -> None:
    """One message and exit code 1."""
    trace = written(tmp_path, "time_s,speed_km_h\n0,50\n1,fast\n")
    done = run_buffet("compare", campaign, "--speed", "130 km/h", "--speed-trace", trace)

    assert (done.exit_code, done.stdout) == (1, "")
    assert "line 3: speed_km_h is 'fast'; wanted a number" in done.stderr


def test_a_car_without_road_load_says_so(campaign: Path, tmp_path: Path) -> None:
    """In place of the energy, everywhere."""
    table = {key: value for key, value in VEHICLE.items() if key != "road_load"}
    sheet = written(tmp_path, toml(table), "silent.toml")
    options = ("--speed", "130 km/h", "--car", sheet)
    done = run_buffet("compare", campaign, *options, "--json")
    document = json.loads(done.stdout)
    (spoiler,) = document["configurations"]

    assert document["road_load"] is None
    assert spoiler["road_load"]["constant_speed"] is None
    assert spoiler["road_load"]["constant_speed_why"] == "the car's [road_load] is not stated"
    assert "No energy by road load" in run_buffet("compare", campaign, *options).stdout
