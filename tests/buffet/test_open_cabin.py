"""What `car` says of an open cabin: frequencies, meetings, and their outputs."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.cabin.open_cabin import open_cabin_figures
from buffet.crossings.meeting import crossings
from buffet.crossings.rays import Ray
from buffet.interval import Interval
from buffet.rating.ride_metrics import RideSetting
from buffet.report.car_figure import car_figure
from buffet.report.look import drawing
from buffet.road_speed import FullScale
from buffet.spectral.tracks import SCALES
from buffet.vehicle import GOOD_MOTORWAY, summary_of, typical_car
from ingest import OpenCabin
from tests.buffet.campaigns import run_buffet
from tests.ingest.campaigns import VEHICLE, toml

SOUND_M_S = 343.2  # at 20 °C, to its last digit
SUNROOF = OpenCabin(3.0, 0.3, opening_length_m=0.4, neck_m=0.002)
CAR = replace(typical_car(2.58), cabin=SUNROOF)


def written(folder: Path, cabin: dict[str, Any]) -> Path:
    """A vehicle sheet with this cabin."""
    path = folder / "car.toml"
    path.write_text(toml(VEHICLE | {"cabin": cabin}), encoding="utf-8")
    return path


STATED = {"volume": "3 m^3", "opening": "0.3 m^2", "opening_length": "0.4 m", "neck": "2 mm"}


def test_json_has_the_roofs_frequencies_and_speeds(tmp_path: Path) -> None:
    """23.8 Hz (reference-values 11); Rossiter's by hand: V (m - 0.25) / (L (M + 1 / 0.57))."""
    car = written(tmp_path, STATED)
    document = json.loads(run_buffet("car", car, "--speed", "108 km/h", "--json").stdout)
    cabin = document["cabin"]

    assert document["cabin_why"] is None
    assert cabin["helmholtz_hz"] == pytest.approx(23.8, abs=0.05)
    assert cabin["sound_speed_m_s"] == pytest.approx(SOUND_M_S, abs=0.05)
    for row in cabin["shear_layer"]:
        for key, eddies in (("", 0.57), ("_low", 0.51), ("_high", 0.63)):
            hand = 30 * (row["mode"] - 0.25) / (0.4 * (30 / SOUND_M_S + 1 / eddies))
            assert row[f"frequency{key}_hz"] == pytest.approx(hand, rel=1e-4)
    # 30.53 and 71.23 Hz with a speed of sound of 340 m/s (tests/published/shear_layer.csv).
    found = [row["frequency_hz"] for row in cabin["shear_layer"]]
    assert found[:2] == pytest.approx([30.53, 71.23], rel=1e-3)


def test_meetings_are_where_the_modes_have_the_cabins_frequency() -> None:
    """Rossiter's formula at the speed that is told gives the Helmholtz frequency again."""
    found = open_cabin_figures(CAR, 30.0)

    assert found is not None
    for met in found.meetings:
        assert met.speed_m_s is not None
        hand = met.speed_m_s * (met.mode - 0.25) / (0.4 * (met.speed_m_s / SOUND_M_S + 1 / 0.57))
        assert hand == pytest.approx(found.helmholtz_hz, rel=1e-4)
    speeds = [met.speed_m_s for met in found.meetings]
    assert speeds == sorted(speeds, reverse=True)  # type: ignore[type-var]


def test_a_textbooks_two_frequencies() -> None:
    """Katz 2016, p. 573: 12.8 and 29.9 Hz at 7 m/s, of the length that the first one gives."""
    found = open_cabin_figures(replace(CAR, cabin=replace(SUNROOF, opening_length_m=0.231)), 7.0)

    assert found is not None
    assert found.shear_layer_hz[:2] == pytest.approx([12.8, 29.9], abs=0.05)


def test_an_opening_is_a_square_where_its_length_is_not_stated() -> None:
    """0.16 m² are 0.4 m along the wind."""
    stated = open_cabin_figures(replace(CAR, cabin=OpenCabin(3.0, 0.16, 0.4)), 30.0)
    square = open_cabin_figures(replace(CAR, cabin=OpenCabin(3.0, 0.16)), 30.0)

    assert stated is not None
    assert square is not None
    assert square.shear_layer_hz == pytest.approx(stated.shear_layer_hz)


def test_text_says_frequencies_speeds_and_the_caution(tmp_path: Path) -> None:
    """Within 80 columns; the speeds are those of the JSON."""
    car = written(tmp_path, STATED)
    result = run_buffet("car", car, "--speed", "108 km/h")
    shown = " ".join(result.stdout.split())

    assert result.exit_code == 0, result.stderr
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "Open cabin: 3 m³ behind 0.3 m², 0.4 m along the wind, neck 0.002 m. Helmholtz" in shown
    assert "frequency 23.8 Hz." in shown
    assert "Hz at 108 km/h meets it at, km/h" in shown
    mode = re.search(r"mode 1 ([\d.]+) \([\d.…]+\) (\d+) \((\d+)…(\d+)\)", shown)
    assert mode is not None
    frequency, value, low, high = map(float, mode.groups())
    assert frequency == pytest.approx(30.5, abs=0.05)
    # Backwards by hand: at that speed, to half a km/h, mode 1 has 23.8 Hz.
    assert value / 3.6 * 0.75 / (0.4 * (value / 3.6 / SOUND_M_S + 1 / 0.57)) == pytest.approx(
        23.8, rel=0.01
    )
    assert low < value < high
    assert "Walls are taken as rigid and the cabin as tight: a real cabin resounds lower" in shown


def test_a_closed_car_says_so_in_json_alone() -> None:
    """No line of text on what is not there."""
    assert open_cabin_figures(typical_car(2.58), 30.0) is None
    document = json.loads(run_buffet("car", "saloon", "--json").stdout)
    assert document["cabin"] is None
    assert document["cabin_why"] == "the sheet states no [cabin], so nothing is open"
    assert "Open cabin" not in run_buffet("car", "saloon").stdout


def test_the_meetings_are_drawn() -> None:
    """A circle on the cabin's frequency at each speed of meeting."""
    found = open_cabin_figures(CAR, 30.0)
    assert found is not None
    with drawing():
        axes = car_figure(summary_of(CAR, 30.0), found).axes[-1]

    circles = [line.get_xydata() for line in axes.get_lines() if line.get_marker() == "o"]
    expected = [
        (met.speed_m_s * 3.6, found.helmholtz_hz) for met in found.meetings if met.speed_m_s
    ]
    assert np.array(circles).reshape(-1, 2) == pytest.approx(np.array(expected))
    assert axes.get_title(loc="left") == "open cabin"


def test_its_frequency_is_among_the_modes_that_a_peak_may_meet() -> None:
    """23.8 Hz by reference, met by a wake of St 0.3 and 0.435 m / 0.3 at 115 m/s: V = f L / St."""
    setting = RideSetting(
        replace(CAR, cabin=SUNROOF),
        GOOD_MOTORWAY,
        FullScale(2.1, 2.58, 1.45, 0.3),
        np.array([30.0, 130.0]),
    )
    (cabin,) = [mode for mode in setting.mode_curves if mode.name == "open cabin"]
    assert cabin.frequency_hz == pytest.approx(23.8, abs=0.05)
    wake = Ray("lateral", ("side force",), Interval(0.3, 0.29, 0.31), 0.1, 1.45, SCALES)
    found = crossings((wake,), (cabin,), 100.0)
    (met,) = found
    assert met.speed_m_s is not None
    assert met.speed_m_s.value == pytest.approx(23.8 * 1.45 / 0.3, rel=0.003)
