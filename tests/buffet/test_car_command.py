"""The command `car`, and `--car` on the commands that rate."""

from __future__ import annotations

import csv
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.car_document import car_document
from buffet.car_text import car_text
from buffet.rating.rate import RatingSettings, chosen_car, rate
from buffet.report.car_figure import car_figure
from buffet.report.look import drawing
from buffet.vehicle import TYPICAL_CARS, CarModel, named_car, summary_of, typical_car
from ingest import SheetError, open_campaign
from ingest.vehicle import MeasuredMode
from tests.buffet.campaigns import run_buffet, two_configurations
from tests.buffet.cars import HATCHBACK
from tests.buffet.lateral_cars import SALOON
from tests.ingest.campaigns import VEHICLE, toml

PACKAGE = Path(__file__).parents[2] / "buffet" / "vehicle"
SPEED = ("--speed", "130 km/h")
QUICK = (*SPEED, "--up-to", "30 km/h")


@pytest.mark.parametrize("name", TYPICAL_CARS)
def test_typical_cars_behave_like_cars(name: str) -> None:
    """Frequencies, gradients and speeds lie where those of cars do (typical, from memory)."""
    summary = summary_of(typical_car(name=name), 130 / 3.6)
    modes = {mode.name: mode for mode in summary.modes}

    assert 1.0 < modes["heave"].natural_frequency_hz < 1.7
    # Wheel hop at 10 to 15 Hz: Transport Research Laboratory, SR12UC (abstract).
    assert 10 < modes["front wheel hop"].natural_frequency_hz < 15
    assert 0.6 < modes["lateral-yaw"].natural_frequency_hz < 1.6
    assert 0.3 < modes["lateral-yaw"].damping_ratio < 1
    assert summary.static.roll_gradient_rad_s2_m is not None
    assert 4 < np.degrees(summary.static.roll_gradient_rad_s2_m) * 9.81 < 8
    assert summary.static.understeer_rad_s2_m is not None
    assert 1 < np.degrees(summary.static.understeer_rad_s2_m) * 9.81 < 4
    assert summary.vehicle.name.startswith("typical ")
    assert not [rows.output for rows in summary.responses.values() if rows.rows is None]


@pytest.mark.parametrize("name", TYPICAL_CARS)
def test_typical_cars_say_where_their_numbers_are_from(name: str) -> None:
    """Their sheets say so at the top, and the car carries it."""
    text = (PACKAGE / f"{name.replace(' ', '_')}.toml").read_text(encoding="utf-8")

    assert "every number is typical, from memory" in text
    assert typical_car(name=name).source == "typical, from memory"


def test_figures_at_rest() -> None:
    """Loads, dynamic index, characteristic speed: by hand."""
    static = summary_of(SALOON, 30.0).static

    assert static.front_axle_load_n == pytest.approx(800 * 9.80665)
    body_kg = 1500 - 156
    ahead_m = 2.7 * ((800 - 80) / body_kg - 0.5)
    assert static.sprung_cg_x_m == pytest.approx(-ahead_m)
    index = 2300 / (body_kg * (1.35 - ahead_m) * (1.35 + ahead_m))
    assert static.dynamic_index == pytest.approx(index)
    # Weight over both tyres' cornering stiffness, front less rear, is g times the gradient.
    understeer = 800 / 110e3 - 700 / 130e3
    assert static.understeer_rad_s2_m == pytest.approx(understeer)
    assert static.characteristic_speed_m_s == pytest.approx(np.sqrt(2.7 / understeer))
    assert static.critical_speed_m_s is None
    whole = 2300 + body_kg * (800 / 1500 * 2.7 - 1.35 - ahead_m) ** 2
    for kg, to_cg_m, track_m in (
        (80, 700 / 1500 * 2.7, 1.55),
        (76, 800 / 1500 * 2.7, 1.52),
    ):
        whole += kg * (to_cg_m**2 + (track_m / 2) ** 2)
    assert static.yaw_inertia_kg_m2 == pytest.approx(whole)


def test_the_body_stands_still_where_the_mode_turns() -> None:
    """At its turning point a mode of heave and pitch moves the body neither up nor down."""
    car = replace(
        SALOON,
        front=replace(SALOON.front, damping_n_s_m=0.0),
        rear=replace(SALOON.rear, damping_n_s_m=0.0),
    )
    summary = summary_of(car, 30.0)
    heave = next(mode for mode in summary.modes if mode.name == "heave")
    point_m = summary.turning_point_m(heave)
    assert point_m is not None

    # Just off resonance the mode is all there is of the motion.
    near = CarModel.of(car)
    rows = [
        near.response("seat z", heave.natural_frequency_hz * 1.0001, 30.0, at_m=(x, 0, 0.6)).rows
        for x in (point_m, 0.0)
    ]
    assert rows[0] is not None
    assert rows[1] is not None
    assert abs(rows[0][0, 2]) < 0.01 * abs(rows[1][0, 2])
    assert summary.turning_point_m(next(m for m in summary.modes if m.name == "roll")) is None


def test_text_says_what_a_reader_must_know() -> None:
    """Car, source, speed, loads, modes, assumptions and spread, within 80 columns."""
    result = run_buffet("car", "saloon", "--speed", "100 km/h")

    assert result.exit_code == 0, result.stderr
    assert max(map(len, result.stdout.splitlines())) <= 80
    text = " ".join(result.stdout.split())
    for part in (
        "typical saloon (typical, from memory), at 100 km/h",
        "understeer gradient",
        "lateral-yaw",
        "rear wheel hop",
        "no seat transfer is stated",
        "the default is taken (engineering judgement): mass 5%",
    ):
        assert part in text


def test_what_is_missing_is_told_once_a_reason() -> None:
    """A car of ride data alone says what it lacks, and the figure draws what there is."""
    summary = summary_of(HATCHBACK, 30.0)

    text = " ".join(car_text(summary).split())

    assert text.count("Not known:") == 1
    assert "Not known: seat y, seat roll, seat yaw, yaw rate, roll angle," in text
    left_out = "the part of yaw in seat x and the part of roll in seat z"
    assert f"Left out for the same reason: {left_out}." in text
    assert "front.cornering_stiffness" in text
    with drawing():
        figure = car_figure(summary)
    said = [t.get_text() for axes in figure.axes for t in axes.texts]
    assert len(said) == 3  # yaw rate, wheel load, steering torque
    assert all(one.startswith("not known: the car's sheet") for one in said)


def test_measured_modes_are_listed_as_stated() -> None:
    """Their largest motion is 1; wheels and steering are missing."""
    mode = MeasuredMode("bounce", 1.37, 0.21, 900.0, (0.0, 0.0, 2.0, 0.0, 0.5, 0.0))

    summary = summary_of(replace(SALOON, modes=(mode,)), 30.0)

    text = " ".join(car_text(summary).split())
    assert "bounce 1.37 0.21 z 1, pitch 0.25" in text
    assert "Measured on the car" in text
    assert "tell nothing of wheels and steering" in text
    assert car_document(summary)["modes_are_measured"] is True


def test_json_and_table_hold_the_responses(tmp_path: Path) -> None:
    """Both with gain and phase of each component that moves an output."""
    document = json.loads(run_buffet("car", "van", "--json").stdout)
    written = run_buffet("car", "van", "-o", tmp_path / "van.csv")
    assert written.exit_code == 0, written.stderr
    with (tmp_path / "van.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))

    assert (document["format"], document["version"]) == ("buffet/car", 1)
    assert document["speed_m_s"] == pytest.approx(130 / 3.6)
    assert {mode["name"] for mode in document["modes"]} >= {"heave", "roll", "lateral-yaw"}
    lift = document["responses"]["seat z"]["components"]["lift"]
    own = [r for r in rows if (r["output"], r["component"]) == ("seat z", "lift")]
    assert [float(row["gain"]) for row in own] == pytest.approx(lift["gain"])
    assert own[0]["unit"] == "m/s² per N"
    expected = CarModel.of(typical_car(name="van")).response("seat z", [0.2, 30.0], 130 / 3.6).rows
    assert expected is not None
    assert lift["gain"][:: len(lift["gain"]) - 1] == pytest.approx(abs(expected[:, 2]))
    assert "roll moment" not in document["responses"]["rear axle load"]["components"]


def test_the_responses_are_drawn(tmp_path: Path) -> None:
    """A picture by its suffix, and nothing on stdout."""
    result = run_buffet("car", "small hatchback", "-o", tmp_path / "car.svg")

    assert result.exit_code == 0, result.stderr
    assert result.stdout == ""
    assert (tmp_path / "car.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_curves_differ_without_colour() -> None:
    """Curves of one panel have different dashes, and a legend each."""
    with drawing():
        figure = car_figure(summary_of(SALOON, 30.0))

    assert len(figure.axes) == 6
    for axes in figure.axes:
        curves = [line for line in axes.get_lines() if not line.get_label().startswith("_")]
        assert len({str(line.get_linestyle()) + str(line._dash_pattern) for line in curves}) == len(  # type: ignore[attr-defined]
            curves
        )
        legend = axes.get_legend()
        assert legend is not None
        assert len(legend.get_texts()) == len(curves)


def test_names_are_read_kindly_and_files_by_their_path(tmp_path: Path) -> None:
    """Underscores and hyphens are spaces; what is neither name nor file is refused with both."""
    shutil.copy(PACKAGE / "van.toml", tmp_path / "mine.toml")

    assert named_car("Small-Hatchback").name == named_car("small_hatchback").name
    assert named_car(str(tmp_path / "mine.toml")).mass_kg == 2600
    result = run_buffet("car", "estate")
    assert result.exit_code == 1
    assert "no typical car is called 'estate'" in result.stderr
    assert "choose small hatchback, saloon, van, or name a vehicle.toml" in result.stderr


def test_a_faulty_sheet_is_refused_with_its_faults(tmp_path: Path) -> None:
    """All of them, and nothing on stdout."""
    (tmp_path / "car.toml").write_text(toml(VEHICLE | {"front": {"track": "1 kg"}}))

    result = run_buffet("car", tmp_path / "car.toml")

    assert (result.exit_code, result.stdout) == (1, "")
    assert "front.track: got '1 kg'; wanted a length" in result.stderr
    assert "front.wheel_rate: is missing" in result.stderr


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two configurations, without a car of their own."""
    return two_configurations(tmp_path_factory.mktemp("car") / "campaign", seconds=20.0)


@pytest.mark.parametrize("command", ["rate", "table", "compare", "report"])
def test_another_car_is_used_and_named(
    command: str, campaign: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every result says which car it is of, and that it is typical."""
    for figures in ("speed_figures", "spectrum_figures"):  # they take long and name no car
        monkeypatch.setattr(f"buffet.report.page.{figures}", lambda _: [])
    page = tmp_path / "report.html"
    more = {
        "rate": QUICK,
        "compare": SPEED,
        "table": ("--from", "130 km/h", "--to", "130 km/h"),
        "report": (*QUICK, "-o", page),
    }[command]

    result = run_buffet(command, campaign, *more, "--car", "saloon")

    assert result.exit_code == 0, result.stderr
    text = page.read_text(encoding="utf-8") if command == "report" else result.stdout
    assert "typical saloon with a wheelbase of 2.58 m" in " ".join(text.split())
    assert "No car is stated" not in text


def test_a_heavier_car_feels_less(campaign: Path) -> None:
    """The same wake, in another car, gives another seat acceleration."""
    opened = open_campaign(campaign)
    analysis = analyse(opened)
    felt = {}
    for name in (None, "van"):
        vehicle = None if name is None else chosen_car(opened, name)
        rating = rate(analysis, RatingSettings(130 / 3.6, up_to_m_s=30 / 3.6, vehicle=vehicle))
        (one,) = [one for one in rating.configurations if one.name == "bare"]
        (row,) = [row for row in one.criteria if row.criterion.id == "vertical-comfort"]
        assert row.metric is not None
        felt[rating.vehicle.name.split(" with ")[0]] = row.metric.value
        assert rating.car_chosen is (name is not None)

    assert felt["typical van"] < 0.7 * felt["typical small hatchback"]


def test_a_file_must_fit_the_model(campaign: Path, tmp_path: Path) -> None:
    """A sheet's wheelbase equals the model's to 1 %; one that does is used under its own name."""
    text = (PACKAGE / "saloon.toml").read_text(encoding="utf-8")
    (tmp_path / "long.toml").write_text(text, encoding="utf-8")
    fitting = re.sub('wheelbase = "[^"]+"', 'wheelbase = "2.59 m"', text)
    fitting = fitting.replace("typical saloon", "our saloon")
    (tmp_path / "fits.toml").write_text(fitting, encoding="utf-8")

    with pytest.raises(SheetError, match=r"long\.toml: vehicle\.wheelbase: must equal .* 2\.583 m"):
        chosen_car(open_campaign(campaign), str(tmp_path / "long.toml"))
    result = run_buffet("rate", campaign, *QUICK, "--car", tmp_path / "long.toml")
    assert (result.exit_code, result.stdout) == (1, "")
    car = chosen_car(open_campaign(campaign), str(tmp_path / "fits.toml"))
    assert (car.name, car.wheelbase_m) == ("our saloon", 2.59)
