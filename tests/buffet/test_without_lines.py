"""Lines of fan and mains through every command, told and taken out."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.analysis import CampaignAnalysis, analyse
from buffet.lines.part import RunLines, of_run
from buffet.lines.text import text
from buffet.one_pass import AnalysisSettings
from buffet.parts import Absent, PartSettings
from buffet.report import draw_figures
from buffet.report.lines_figure import figure
from buffet.run_spectra import run_result
from ingest import open_campaign
from tests.buffet.campaigns import (
    CAMPAIGN,
    RATE_HZ,
    PlantedRun,
    band_noise,
    lift_run,
    run_buffet,
    wind_off,
    write_runs,
)

LIFT, FAN, HUM, NOISE = 0.030, 0.015, 0.008, 0.004  # RMS coefficients
FAN_HZ, MAINS_HZ = 31.47, 50.02
SPEED = ("--speed", "130 km/h", "--up-to", "130 km/h")
TUNNEL = {"tunnel": {"fan_speed": "314.7 1/min", "blades": 6}}


def humming(run: PlantedRun, **lines: float) -> PlantedRun:
    """The run with lines of these RMS values in its lift, by their names, and a sensor's noise."""
    time_s = np.arange(len(run.samples["lift"])) / RATE_HZ
    hz = {"fan": FAN_HZ, "mains": MAINS_HZ}
    added = sum(
        np.sqrt(2) * rms * np.sin(2 * np.pi * hz[name] * time_s) for name, rms in lines.items()
    )
    noise = band_noise(int(run.number) + 40, NOISE, len(time_s) / RATE_HZ)
    return replace(run, samples={**run.samples, "lift": run.samples["lift"] + added + noise})


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car and a spoiler in a fan's line and hum, which is there without wind as well."""
    zero = humming(wind_off("0"), mains=HUM)
    bare, spoiler = lift_run("1", LIFT), lift_run("2", LIFT / 2, "spoiler", drag=0.33)
    runs = [replace(humming(run, fan=FAN, mains=HUM), zero="0") for run in (bare, spoiler)]
    folder = tmp_path_factory.mktemp("lines") / "campaign"
    return write_runs(folder, [zero, *runs], {**CAMPAIGN, **TUNNEL})


@cache
def analysed(folder: Path) -> CampaignAnalysis:
    """With what lines need."""
    return analyse(open_campaign(folder), ["0", "1"], AnalysisSettings(keeps=frozenset({"tapers"})))


@cache
def found(*arguments: object) -> dict[str, Any]:
    """A command's JSON."""
    done = run_buffet(*arguments, "--json")
    assert done.exit_code == 0, done.stderr
    return dict(json.loads(done.stdout))


def holds(interval: dict[str, float], truth: float) -> bool:
    """Whether an interval covers the truth."""
    return interval["low"] <= truth <= interval["high"]


def lift_of(entries: list[dict[str, Any]]) -> dict[str, Any]:
    """The entry of the lift."""
    return next(one for one in entries if one["name"] == "lift")


def test_lines_are_told_with_source_rms_and_share(campaign: Path) -> None:
    """Both at their frequencies; the hum is gone from the RMS with the wind-off noise."""
    (run,) = found("spectra", campaign, "--run", "1", "--what", "lines")["runs"]
    told = run["lines"]
    fan, hum = told["lines"]

    assert holds(fan["frequency_hz"], FAN_HZ)
    assert holds(hum["frequency_hz"], MAINS_HZ)
    assert fan["source"].startswith("fan blades passing")
    assert hum["source"].startswith("mains")
    assert fan["channels"][0] == "lift"
    assert max(fan["p_value"], hum["p_value"]) < 1e-6
    assert holds(lift_of(fan["quantities"])["rms"], FAN)
    assert holds(lift_of(fan["quantities"])["share"], FAN**2 / (LIFT**2 + FAN**2))
    assert holds(lift_of(hum["quantities"])["rms_as_logged"], HUM)
    assert lift_of(hum["quantities"])["share"]["value"] == pytest.approx(0, abs=0.01)
    assert holds(lift_of(told["quantities"])["rms_with_lines"], np.hypot(LIFT, FAN))
    assert holds(lift_of(told["quantities"])["rms_without_lines"], LIFT)
    assert (told["taken_out"], run["without_lines"], run["lines_why"]) == (False, False, None)


def test_spectra_without_them_are_those_of_the_record_without(campaign: Path) -> None:
    """RMS and noise; the hum is neither left in nor taken out twice."""
    without = found("spectra", campaign, "--run", "1", "--without-lines", "--what", "spectrum")
    (run,) = without["runs"]
    lift = lift_of(run["channels"])
    assert run["without_lines"] is True
    assert holds(lift["rms"], LIFT)
    assert lift["noise_rms"] == pytest.approx(NOISE, rel=0.1)
    assert not [peak for peak in lift["peaks"] if peak["kind"] == "line"]
    at = np.searchsorted(lift["frequency_hz"], [FAN_HZ, MAINS_HZ])
    level = np.median(lift["psd"])
    assert np.all(np.asarray(lift["psd"])[at] < 3 * level)


def test_a_wind_off_run_has_lines_too(campaign: Path) -> None:
    """Its own hum, and its noise without it."""
    off = next(run for run in analysed(campaign).wind_off if run.run.number == "0")
    (line,) = off.lines
    assert line.frequency_hz.value == pytest.approx(MAINS_HZ, abs=0.01)
    index = off.signal.index("lift")
    assert np.sqrt(off.without_lines.total_samples[0, index]) == pytest.approx(NOISE, rel=0.1)


def test_a_rating_goes_without_them(campaign: Path) -> None:
    """The seat's motion falls, and the share is told."""
    read, rest = (found("rate", campaign, *SPEED, *more) for more in ((), ("--without-lines",)))
    assert (read["without_lines"], read["line_shares"]) == (False, {})
    assert rest["without_lines"] is True
    truth = FAN**2 / ((LIFT / 2) ** 2 + FAN**2)  # of the spoiler, which holds most of it
    assert rest["line_shares"]["lift"] == pytest.approx(truth, rel=0.1)
    told = run_buffet("rate", campaign, *SPEED, "--without-lines").stdout
    assert "Lines are taken out; of the forces' variances they held at most" in " ".join(
        told.split()
    )


def test_tables_and_comparisons_go_without_them(campaign: Path) -> None:
    """Half the lift's RMS with the spoiler on, as without the fan."""
    road = ("--from", "120 km/h", "--to", "130 km/h", "--without-lines")
    rows = found("table", campaign, *road)["rows"]
    lift = {row["configuration"]: row["lift_rms_n"] for row in rows}
    compared = found("compare", campaign, *SPEED[:2], "--without-lines")
    (ratio,) = (one["rms_ratio"]["lift"] for one in compared["configurations"])
    assert lift["spoiler"] / lift["bare"] == pytest.approx(0.5, rel=0.05)
    assert holds(ratio, 0.5)
    assert compared["without_lines"] is True


def test_in_words_and_drawn(campaign: Path, tmp_path: Path) -> None:
    """Within 80 columns, whether or not the lines are taken out; a picture."""
    run = next(one for one in analysed(campaign).runs if one.run.number == "1")
    for one, words in ((run, "with --without-lines"), (run.without_lines, "are taken out above")):
        result = run_result(one, lambda quantity: False)
        part = of_run(result, PartSettings())
        assert isinstance(part, RunLines)
        told = text(part)
        assert told.startswith("Lines: 2, by an F-test")
        assert words in told
        assert max(map(len, told.splitlines())) <= 80
    draw_figures([lambda: figure([(result, part)])], tmp_path / "lines.png")
    assert (tmp_path / "lines.png").stat().st_size > 10_000


def test_a_run_without_long_stretches_has_no_lines(campaign: Path) -> None:
    """And is itself without them."""
    run = analyse(open_campaign(campaign), ["1"]).runs[0]
    part = of_run(run_result(run, lambda quantity: False), PartSettings())
    assert part == Absent("long stretches were not transformed")
    assert run.without_lines is run
