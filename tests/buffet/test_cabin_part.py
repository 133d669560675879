"""The part `cabin` of spectra: one-third octaves, overall and G-weighted levels."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.patches import Rectangle

from buffet.analysis import analyse
from buffet.cabin.document import document
from buffet.cabin.part import CabinLevels, of_run
from buffet.cabin.text import text
from buffet.documents import dumps
from buffet.one_pass import AnalysisSettings
from buffet.parts import Absent, PartSettings
from buffet.report.cabin_figure import figure
from buffet.report.look import drawing
from buffet.run_spectra import RunResult, run_result
from ingest import OpenCabin, open_campaign
from tests.buffet.cabin_campaign import (
    OPEN,
    OPEN_MODEL,
    SECONDS,
    cabin_run,
    rms_coefficient,
    tone,
    write_open,
)
from tests.buffet.campaigns import (
    RATE_HZ,
    SCALE,
    PlantedRun,
    band_noise,
    lift_run,
    run_buffet,
    write_runs,
)
from tests.ingest.campaigns import VEHICLE, toml

Planted = tuple[RunResult, CabinLevels | Absent]


def levels(
    folder: Path,
    speed_m_s: float | None = 40.0,
    cabin: OpenCabin | None = OPEN,
    resolution_hz: float | None = None,
) -> tuple[RunResult, CabinLevels | Absent]:
    """Of the last run, without looking for peaks, which takes its time."""
    analysis = analyse(open_campaign(folder), settings=AnalysisSettings(resolution_hz))
    result = run_result(analysis.chosen(None)[-1], lambda quantity: False)
    return result, of_run(result, PartSettings(speed_m_s, cabin=cabin))


def told(found: CabinLevels | Absent) -> dict[str, Any]:
    """As JSON has it."""
    assert isinstance(found, CabinLevels)
    return dict(json.loads(dumps(document(found))))


def by_band(spectrum: dict[str, Any]) -> dict[float, float]:
    """Levels by nominal frequency."""
    return {one["nominal_hz"]: one["level"]["value"] for one in spectrum["third_octaves"]}


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> Planted:
    """100 dB at 10 Hz and 94 dB at 5 Hz on the road, in weak noise."""
    pressure = (
        tone(10 / SCALE, rms_coefficient(100))
        + tone(10**0.7 / SCALE, rms_coefficient(94))
        + band_noise(1, rms_coefficient(60), SECONDS)
    )
    return levels(write_open(tmp_path_factory.mktemp("cabin") / "c", [cabin_run("1", pressure)]))


def test_tones_stand_in_their_bands(planted: Planted) -> None:
    """By hand: 100 and 94 dB, together 100.97; G-weighted 0 and -12 dB of them, 100.01."""
    cabin = told(planted[1])
    (channel,) = cabin["channels"]
    road, tunnel = channel["road"], channel["tunnel"]

    assert (cabin["unit"], cabin["road_speed_m_s"]) == ("dB", pytest.approx(40))
    assert cabin["not_as_on_the_road"] == []
    assert by_band(road)[10] == pytest.approx(100, abs=0.05)
    assert by_band(road)[5] == pytest.approx(94, abs=0.05)
    assert max(level for name, level in by_band(road).items() if name not in (10, 5)) < 70
    assert road["overall"]["value"] == pytest.approx(10 * np.log10(10**10 + 10**9.4), abs=0.05)
    weighted = 10 * np.log10(10**10 + 10 ** (9.4 - 1.2))
    assert road["g_weighted"]["value"] == pytest.approx(weighted, abs=0.1)
    assert road["g_weighted_is_whole"] is True
    # In the tunnel at 33.3 and 16.7 Hz; its air of 40 m/s is the road's.
    assert by_band(tunnel)[31.5] == pytest.approx(100, abs=0.05)
    assert by_band(tunnel)[16] == pytest.approx(94, abs=0.05)
    assert tunnel["g_weighted"] is None
    assert "its frequencies are a model's" in tunnel["g_weighted_why"]


def test_bands_that_cannot_be_told_are_left_out(planted: Planted) -> None:
    """None narrower than the noise bandwidth of a bin, none beyond the usable band."""
    (channel,) = told(planted[1])["channels"]

    for spectrum in (channel["road"], channel["tunnel"]):
        low, high = spectrum["usable_band_hz"]
        bands = spectrum["third_octaves"]
        widths = [band["high_hz"] - band["low_hz"] for band in bands]
        assert widths[0] >= spectrum["resolution_hz"] > widths[0] * 10**-0.1
        assert bands[0]["low_hz"] >= low
        assert bands[-1]["high_hz"] <= high < bands[-1]["high_hz"] * 10**0.1
    assert channel["tunnel"]["usable_band_hz"][1] <= RATE_HZ / 2


def test_white_noise_rises_by_1_db_a_band(tmp_path: Path) -> None:
    """Ten bands of it hold ten times the power; each interval has the truth in it, nearly."""
    noise = band_noise(5, rms_coefficient(90), SECONDS)
    (channel,) = told(levels(write_open(tmp_path / "c", [cabin_run("1", noise)]))[1])["channels"]
    bands = channel["road"]["third_octaves"]
    per_hertz = 90 - 10 * np.log10(RATE_HZ / 2 * SCALE)
    truths = [per_hertz + 10 * np.log10(b["high_hz"] - b["low_hz"]) for b in bands]

    held = [
        b["level"]["low"] <= truth <= b["level"]["high"]
        for b, truth in zip(bands, truths, strict=True)
    ]
    assert len(bands) > 12
    assert np.mean(held) > 0.75
    assert [b["level"]["value"] for b in bands[-6:]] == pytest.approx(truths[-6:], abs=0.5)


def test_what_is_not_as_on_the_road_is_said(tmp_path: Path) -> None:
    """Another Mach number, and a cabin that is too small for the car's, by the command itself."""
    run = cabin_run("1", tone(10 / SCALE, rms_coefficient(100), 10.0))
    stated = OPEN_MODEL | {"vehicle": {"file": "vehicle.toml"}}
    folder = write_runs(tmp_path / "c", [run], stated)
    cabin = {"volume": "5 m^3", "opening": "0.3 m^2"}
    (folder / "vehicle.toml").write_text(toml(VEHICLE | {"cabin": cabin}), encoding="utf-8")
    result = run_buffet("spectra", folder, "--what", "cabin", "--speed", "100 km/h")
    shown = " ".join(result.stdout.split())

    assert "Not as on the road, so that a resonance of the cabin does not carry over" in shown
    assert "the run's Mach number is the road's at 144 km/h" in shown
    assert "the model's cabin holds 0.0864 m³ and not 0.135 m³" in shown
    _, unstated = levels(folder, 40.0, None)
    assert told(unstated)["not_as_on_the_road"] == [
        "what is open, and on what volume, no [cabin] of the car's sheet states"
    ]


def test_text_has_a_line_a_band_within_80_columns(planted: Planted) -> None:
    """Tunnel and road side by side."""
    assert isinstance(planted[1], CabinLevels)
    shown = text(planted[1])
    rows = {line.split("  ")[0]: line for line in shown.splitlines()}

    assert max(map(len, shown.splitlines())) <= 80
    assert "cabin pressure, road" in shown
    assert "100" in rows["10"]
    assert "100" in rows["G-weighted"]
    assert "No G-weighting (ISO 7196) in the tunnel" in " ".join(shown.split())
    assert "Not as on the road" not in shown


def test_pascals_without_a_model_are_a_microphone(tmp_path: Path) -> None:
    """2 Pa at 10 Hz in a car on the road: 100 dB, G-weighted 100 dB; no road speed is needed."""
    run = PlantedRun("1", {"cabin pressure": tone(10, 2.0)}, units={"cabin pressure": "Pa"})
    campaign = {key: value for key, value in OPEN_MODEL.items() if key != "model"}
    _, found = levels(write_runs(tmp_path / "c", [run], campaign), resolution_hz=0.5)
    (channel,) = told(found)["channels"]

    assert channel["road"] is None
    assert by_band(channel["tunnel"])[10] == pytest.approx(100, abs=0.05)
    assert channel["tunnel"]["g_weighted"]["value"] == pytest.approx(100, abs=0.05)


def test_runs_without_it_say_what_it_takes(tmp_path: Path) -> None:
    """No channel, one that never changed, and a coefficient without wind."""
    quiet = replace(cabin_run("1", tone(10, 0.01, 10.0)), configuration=None)
    whys = []
    for run in (lift_run("1", 0.01, seconds=10.0), cabin_run("1", np.zeros(2500)), quiet):
        _, found = levels(write_open(tmp_path / str(len(whys)), [run]))
        assert isinstance(found, Absent)
        whys.append(found.why)

    assert "it takes a tap or a microphone in the cabin" in whys[0]
    assert whys[1:] == ["its channel never changed", "it is a coefficient, and there was no wind"]


def test_levels_are_drawn(planted: Planted, tmp_path: Path) -> None:
    """Bars as high as the levels, from the panel's lower end."""
    result, found = planted
    assert isinstance(found, CabinLevels)
    with drawing():
        (axes,) = figure([(result, found)]).axes

    tops = [bar.get_y() + bar.get_height() for bar in axes.patches if isinstance(bar, Rectangle)]
    assert max(tops) == pytest.approx(100.97, abs=0.05)  # overall
    assert axes.get_ylim()[0] < 94 < 100 < axes.get_ylim()[1]
    assert [label.get_text() for label in axes.get_xticklabels()][-2:] == ["all", "G"]
    assert "road at 144 km/h" in axes.get_title(loc="left")
