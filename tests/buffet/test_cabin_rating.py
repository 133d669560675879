"""The rating of the pressure in an open cabin: planted levels, and when there is none."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.cabin import level_interval
from buffet.documents import dumps, rating_document
from buffet.interval import Interval
from buffet.rating.criteria import read_criteria
from buffet.rating.rate import ConfigurationRating, RatingSettings, rate
from buffet.rating.verdict import CriterionRating
from buffet.report.figures import configuration_styles
from buffet.report.look import drawing
from buffet.report.speed_figure import decisive_criteria, speed_figure
from buffet.terminal import rating_text
from ingest import OpenCabin, Vehicle, open_campaign
from tests.buffet.cabin_campaign import (
    OPEN_CAR,
    OPEN_MODEL,
    SECONDS,
    cabin_run,
    rms_coefficient,
    tone,
    write_open,
)
from tests.buffet.campaigns import (
    CAMPAIGN,
    SCALE,
    WIND_M_S,
    PlantedRun,
    band_noise,
    changed,
    run_buffet,
    write_runs,
    write_sheet,
)
from tests.ingest.campaigns import VEHICLE, toml

PUBLISHED = Path(__file__).parents[1] / "published"
PRINTED_G = {
    float(row["nominal_hz"]): float(row["level_db"])
    for row in csv.DictReader(
        (PUBLISHED / "g_weighting.csv").read_text(encoding="utf-8").splitlines()
    )
}
CRITERIA = read_criteria()
CABIN_ALONE = replace(CRITERIA, rows=tuple(row for row in CRITERIA.rows if row.id == "cabin"))
BARELY = 30 / 3.6  # search no further than this for an onset


def rated(
    folder: Path, speed_m_s: float = WIND_M_S, up_to_m_s: float = BARELY, car: Vehicle = OPEN_CAR
) -> ConfigurationRating:
    """The one configuration, by the cabin's row alone."""
    settings = RatingSettings(speed_m_s, up_to_m_s=up_to_m_s, criteria=CABIN_ALONE, vehicle=car)
    (one,) = rate(analyse(open_campaign(folder)), settings).configurations
    return one


def cabin_row(one: ConfigurationRating) -> CriterionRating:
    """Of the cabin."""
    (row,) = [row for row in one.criteria if row.criterion.id == "cabin"]
    return row


def level(row: CriterionRating) -> float:
    """Its level, which must be there."""
    assert row.metric is not None, row.why
    return row.metric.value


@pytest.mark.parametrize(("number", "nominal_hz"), [(3, 2.0), (7, 5.0), (10, 10.0), (12, 16.0)])
def test_a_tone_has_the_level_that_the_standard_gives_it(
    number: int, nominal_hz: float, tmp_path: Path
) -> None:
    """110 dB at a mid-band frequency on the road: 110 dB plus ISO 7196's printed weighting.

    The poles meet the table to 0.05 dB; 3 % of road hertz from bin to bin add as little.
    """
    road_hz = 10 ** (number / 10)
    pressure = tone(road_hz / SCALE, rms_coefficient(110.0))
    row = cabin_row(rated(write_open(tmp_path / "c", [cabin_run("1", pressure)])))

    assert level(row) == pytest.approx(110.0 + PRINTED_G[nominal_hz], abs=0.15)


def test_pascals_are_carried_by_the_dynamic_pressure(tmp_path: Path) -> None:
    """2 Pa at 40 m/s and 1.2 kg/m³ are those of the road's 1.1993 kg/m³ at 38 m/s in proportion."""
    run = cabin_run(
        "1",
        tone(10 / SCALE / (38 / 40), 2.0),
        units={"cabin pressure": "Pa"},
        air={"speed": "40 m/s", "density": "1.2 kg/m^3"},
    )
    pressure_pa = 2.0 * (1.1993139 * 38**2) / (1.2 * 40**2)
    row = cabin_row(rated(write_open(tmp_path / "c", [run]), 38.0))

    assert level(row) == pytest.approx(20 * np.log10(pressure_pa / 20e-6), abs=0.05)


@pytest.mark.parametrize(
    ("planted_db", "verdict"), [(85, "unlikely"), (95, "possible"), (105, "likely")]
)
def test_limits_are_levels(planted_db: float, verdict: str, tmp_path: Path) -> None:
    """90 and 100 dB, by noise about 10 Hz; the interval holds the truth on both sides."""
    noise = band_noise(3, rms_coefficient(planted_db), SECONDS, 9.9 / SCALE, 10.1 / SCALE)
    one = rated(write_open(tmp_path / "c", [cabin_run("1", noise)]))
    row = cabin_row(one)

    # Of these samples, not of the noise they were drawn from.
    truth = planted_db + 20 * np.log10(np.std(noise) / rms_coefficient(planted_db))
    assert row.metric is not None
    assert row.metric.low is not None
    assert row.metric.high is not None
    assert row.metric.low < truth < row.metric.high
    assert row.metric.value == pytest.approx(truth, abs=1.0)
    assert row.verdict == verdict
    assert one.verdict == verdict
    if verdict != "unlikely":
        assert one.decisive is row
        assert "pressure in the open cabin, G-weighted level, " in one.why
        assert " dB (possible from 90, likely from 100; cabin)" in one.why


def test_wind_off_noise_is_taken_out(tmp_path: Path) -> None:
    """Noise beside the tone, on the road 6 to 8 Hz: the same without wind, it leaves the tone."""
    noise = band_noise(4, rms_coefficient(115), SECONDS, 20, 28)
    quiet = cabin_run("0", noise, configuration=None)
    loud = cabin_run("1", noise + tone(10 / SCALE, rms_coefficient(110)), zero="0")
    as_read = replace(loud, zero=None)

    removed = cabin_row(rated(write_open(tmp_path / "off", [quiet, loud])))
    with_noise = cabin_row(rated(write_open(tmp_path / "read", [as_read])))

    assert level(removed) == pytest.approx(110, abs=0.1)
    assert level(with_noise) > 111.5


def test_channels_are_averaged_and_the_dead_left_out(tmp_path: Path) -> None:
    """Mean of the squares of two: (1 + 3²) / 2 of the first; a third never changed."""
    own = rms_coefficient(100)
    run = cabin_run("1", tone(10 / SCALE, own))
    samples = {
        **run.samples,
        "pressure": tone(10 / SCALE, 3 * own),
        "other": 0 * run.samples["lift"],
    }
    run = replace(run, samples=samples)
    folder = write_open(tmp_path / "c", [run])
    sheet = run.sheet()
    for channel in sheet["channel"][2:]:
        channel["measures"] = "cabin pressure"
    write_sheet(folder, "1", sheet)

    assert level(cabin_row(rated(folder))) == pytest.approx(100 + 10 * np.log10(5), abs=0.05)


def test_only_runs_of_the_roads_mach_number_count(tmp_path: Path) -> None:
    """100 dB at 40 m/s and 110 dB at 50 m/s: each at its own road speed, neither at 60 m/s."""
    slow = cabin_run("1", tone(10 / SCALE, rms_coefficient(100, 40)))
    fast = cabin_run("2", tone(10 / SCALE, rms_coefficient(110, 50)), air={"speed": "50 m/s"})
    folder = write_open(tmp_path / "c", [slow, fast])

    assert level(cabin_row(rated(folder, 40.0))) == pytest.approx(100, abs=0.05)
    assert level(cabin_row(rated(folder, 50.0))) == pytest.approx(110, abs=0.05)

    beyond = rated(folder, 60.0, 60.0)
    row = cabin_row(beyond)
    assert (row.verdict, row.metric, row.p_possible) == (None, None, None)
    assert row.why is not None
    assert "no run has the road's Mach number at this speed, to 10 %" in row.why
    assert "theirs are those of 144, 180 km/h" in row.why
    assert beyond.verdict == "undetermined"
    # 36.4 to 44.4 and 45.5 to 55.6 m/s are covered, and 90 dB first reached there.
    assert beyond.onset is not None
    assert beyond.onset.covered_m_s is not None
    assert 40 / 1.1 - 0.1 < beyond.onset.covered_m_s[0] < 40 / 1.1 + 5 / 3.6
    assert 50 / 0.9 - 5 / 3.6 < beyond.onset.covered_m_s[1] < 50 / 0.9 + 0.1


def test_repeats_that_differ_widen_the_level(tmp_path: Path) -> None:
    """Two tones 3 dB apart: a standard deviation of 3/√2 dB between runs, 1.5 dB of their mean."""
    loud, soft = (
        cabin_run(str(n), tone(10 / SCALE, rms_coefficient(db)) + band_noise(n, 1e-6, SECONDS))
        for n, db in ((1, 97), (2, 94))
    )
    row = cabin_row(rated(write_open(tmp_path / "c", [loud, soft])))
    alone = cabin_row(rated(write_open(tmp_path / "one", [loud])))

    assert level(row) == pytest.approx(10 * np.log10((10**9.7 + 10**9.4) / 2), abs=0.05)
    assert row.metric is not None
    assert row.metric.high is not None
    assert alone.metric is not None
    assert alone.metric.high is not None
    # One degree of freedom: Student's t is 12.7.
    assert row.metric.high - row.metric.value == pytest.approx(12.7 * 1.5, rel=0.1)
    assert alone.metric.high - alone.metric.value < 0.5


def test_a_band_that_ends_below_20_hz_leaves_it_undetermined(tmp_path: Path) -> None:
    """A filter at 60 Hz lets 42 Hz through, 12.6 Hz on the road: the tone at 10 Hz is at least."""
    run = cabin_run("1", tone(10 / SCALE, rms_coefficient(103)))
    folder = write_open(tmp_path / "c", [run])
    write_sheet(folder, "1", changed(run.sheet(), ("sampling", "antialias_cutoff"), "60 Hz"))
    one = rated(folder)
    row = cabin_row(one)

    assert (row.verdict, row.why) == ("undetermined", "the usable road band does not cover it")
    assert level(row) == pytest.approx(103, abs=0.05)
    assert "at least 103 dB" in one.why


def without_channel(run: PlantedRun) -> PlantedRun:
    """The lift alone."""
    return replace(run, samples={"lift": run.samples["lift"]})


def without_change(run: PlantedRun) -> PlantedRun:
    """A cabin's channel that is stuck."""
    return replace(run, samples={**run.samples, "cabin pressure": 0 * run.samples["lift"]})


def in_water(run: PlantedRun) -> PlantedRun:
    """As fast as the road, in a channel."""
    air = {"speed": "40 m/s", "density": "998 kg/m^3", "viscosity": "1e-3 Pa s"}
    return replace(run, air=air)


def slower(run: PlantedRun) -> PlantedRun:
    """Below any speed that is looked at."""
    return replace(run, air={"speed": "30 m/s"})


SHUT = replace(OPEN_CAR, cabin=None)
LARGER = replace(OPEN_CAR, cabin=OpenCabin(4.0, 0.3))
# By what changes: the run, the campaign, the car, and what the reason says.
REFUSALS: list[tuple[Callable[[PlantedRun], PlantedRun], Mapping[str, Any], Vehicle, str]] = [
    (without_channel, OPEN_MODEL, OPEN_CAR, "no channel measures the cabin's pressure (it takes"),
    (without_change, OPEN_MODEL, OPEN_CAR, "the cabin's pressure never changed in run 1"),
    (replace, OPEN_MODEL, SHUT, "the car's sheet states no [cabin]: what is open"),
    (replace, CAMPAIGN, OPEN_CAR, "[model] states no cabin_volume, so whether the model's cabin"),
    (
        replace,
        OPEN_MODEL,
        LARGER,
        "holds 0.0864 m³ and not 0.108 m³, the car's 4 m³ at its scale, to 10 %, and resounds at",
    ),
    (in_water, OPEN_MODEL, OPEN_CAR, "the fluid of the runs is no air"),
    (slower, OPEN_MODEL, OPEN_CAR, "no run has the road's Mach number at any speed looked at"),
]


@pytest.mark.parametrize("case", REFUSALS, ids=lambda case: str(case[3])[:30])
def test_what_cannot_be_carried_is_null(case: Any, tmp_path: Path) -> None:
    """With the reason; it does not count."""
    change, campaign, car, why = case
    run = change(cabin_run("1", tone(10 / SCALE, rms_coefficient(110), 20.0)))
    row = cabin_row(rated(write_runs(tmp_path / "c", [run], campaign), car=car))

    assert (row.metric, row.verdict, row.p_likely) == (None, None, None)
    assert why in str(row.why)


def test_a_car_of_full_scale_is_its_own_model(tmp_path: Path) -> None:
    """It needs no cabin_volume, and its frequencies are the road's."""
    whole = {"scale": 1.0, "frontal_area": 2.2, "wheelbase": 0.775 / SCALE, "strouhal_length": 1.45}
    run = cabin_run("1", tone(10.0, rms_coefficient(100)))
    row = cabin_row(rated(write_runs(tmp_path / "c", [run], CAMPAIGN | {"model": whole})))

    assert level(row) == pytest.approx(100, abs=0.05)


def test_a_level_that_noise_hides_is_0_db() -> None:
    """Limits go over one by one: 20 µPa is 0 dB, 2 Pa 100 dB (reference-values 3.7)."""
    assert level_interval(Interval(2.0, 0.2, 20.0)) == Interval(
        pytest.approx(100.0), pytest.approx(80.0), pytest.approx(120.0)
    )
    assert level_interval(Interval(0.0, 0.0, 2.0)) == Interval(0.0, 0.0, pytest.approx(100.0))
    assert level_interval(Interval(1e-9, None, None)) == Interval(0.0, None, None)


def test_outputs_are_in_decibels(tmp_path: Path) -> None:
    """JSON, table and picture of a campaign whose car states its cabin."""
    noise = band_noise(3, rms_coefficient(96), SECONDS, 9.5 / SCALE, 10.5 / SCALE)
    stated = OPEN_MODEL | {"vehicle": {"file": "vehicle.toml"}}
    folder = write_runs(tmp_path / "c", [cabin_run("1", noise)], stated)
    vehicle = VEHICLE | {"cabin": {"volume": "3.2 m^3", "opening": "0.3 m^2"}}
    (folder / "vehicle.toml").write_text(toml(vehicle), encoding="utf-8")
    found = rate(analyse(open_campaign(folder)), RatingSettings(40.0, up_to_m_s=160 / 3.6))

    document = json.loads(dumps(rating_document(found)))
    text = rating_text(found)
    with drawing():
        (axes,) = speed_figure(found, decisive_criteria(found), configuration_styles(found)).axes

    (row,) = [row for row in document["configurations"][0]["criteria"] if row["id"] == "cabin"]
    assert (row["unit"], row["limit_possible"], row["limit_likely"]) == ("dB", 90, 100)
    assert row["metric"]["value"] == pytest.approx(96, abs=1.5)
    assert row["metric"]["low"] < row["metric"]["value"] < row["metric"]["high"] < 110
    assert row["verdict"] == "possible"
    assert "\ncabin, dB " in text
    joined = " ".join(text.split())
    assert "Not rated: vertical-burst and state-change: the runs' samples were not kept" in joined
    assert "; rear-load: pitch moment was not measured" in joined
    assert "lateral and yaw-rate: side force and yaw moment were not measured" in joined
    assert "not measured  " not in text  # told once instead of in each configuration
    # Levels stand where their pressures do: 90 dB are 0.632 Pa, 100 dB 2 Pa.
    ticks = {
        label.get_text(): y
        for label, y in zip(axes.get_yticklabels(), axes.get_yticks(), strict=True)
    }
    assert (ticks["90"], ticks["100"]) == (pytest.approx(0.6325, abs=5e-5), pytest.approx(2.0))
    assert (axes.get_title(loc="left"), axes.get_ylabel()) == ("cabin", "metric, dB")
    assert {"possible from 90", "likely from 100"} <= {text.get_text() for text in axes.texts}


def test_a_level_has_its_own_unit(tmp_path: Path) -> None:
    """Decibels of an acceleration, and a level in pascals, are refused before any recording."""
    folder = write_open(tmp_path / "c", [cabin_run("1", tone(33, 0.01, 5.0))])
    package = Path(__file__).parents[2] / "buffet" / "rating" / "criteria.toml"
    text = package.read_text(encoding="utf-8")
    for name, old, new in (("a", 'unit = "dB"', 'unit = "Pa"'), ("b", 'unit = "%"', 'unit = "dB"')):
        path = tmp_path / f"{name}.toml"
        path.write_text(text.replace(old, new), encoding="utf-8")

        result = run_buffet("rate", folder, "--speed", "144 km/h", "--criteria", path)

        assert result.exit_code == 1
        assert "unit must be 'dB' of cabin-level, and only there" in result.stderr
