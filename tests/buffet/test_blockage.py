"""Blockage in a campaign: one car in two tunnels comes out alike, and every result names it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.rating.scatter import cells
from buffet.run_spectra import run_result
from ingest import open_campaign
from tests.buffet.campaigns import (
    CAMPAIGN,
    RATE_HZ,
    WIND_M_S,
    PlantedRun,
    band_noise,
    lift_run,
    run_buffet,
    two_configurations,
    write_runs,
)

AREA_M2, LENGTH_M = 0.194, 0.435
DENSITY = 1.2
PRESSURE_PA = DENSITY * WIND_M_S**2 / 2
DRAG, STROUHAL, STAGNATION, BASE = 0.32, 0.25, 1.0, -0.2
SECONDS = 60.0
SPEED = ("--speed", "130 km/h")


def campaign(area_m2: float, **section: Any) -> dict[str, Any]:
    """Sheet of a campaign in a test section of this area, closed unless said otherwise."""
    table = {"kind": "closed", "area": f"{area_m2} m^2", **section}
    return {**CAMPAIGN, "test_section": table}


def factor(method: str, ratio: float) -> float:
    """q at the model over q ahead of it: 1 / (1 - S/2C)², or Maskell's by the true C_D.

    Maskell's rule asks for the measured C_D, k times the true one: k = 1 + 5/2 k C_D S/C.
    """
    return 1 / (1 - ratio / 2) ** 2 if method == "continuity" else 1 / (1 - 2.5 * DRAG * ratio)


def in_tunnel(k: float) -> PlantedRun:
    """What balance and taps log of the car, in N and Pa, where q at the model is k times larger."""
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    shedding_hz = STROUHAL * WIND_M_S * np.sqrt(k) / LENGTH_M
    wake = band_noise(1, 0.01, SECONDS)
    line = 0.03 * np.sqrt(2) * np.sin(2 * np.pi * shedding_hz * time_s)
    taps = {"pressure": BASE + wake, "cabin pressure": STAGNATION + wake}
    samples = {
        "drag": (DRAG + wake) * k * PRESSURE_PA * AREA_M2,
        "lift": (0.1 + line + wake) * k * PRESSURE_PA * AREA_M2,
        # The total pressure is the tunnel's; the static pressure at the model is lower.
        **{word: PRESSURE_PA - (1 - c) * k * PRESSURE_PA for word, c in taps.items()},
    }
    units = {"drag": "N", "lift": "N", "pressure": "Pa", "cabin pressure": "Pa"}
    air = {"speed": f"{WIND_M_S} m/s", "density": f"{DENSITY} kg/m^3"}
    return PlantedRun("1", samples, units=units, air=air)


@pytest.mark.parametrize("method", ["continuity", "maskell"])
def test_one_car_in_two_tunnels_comes_out_alike(tmp_path: Path, method: str) -> None:
    """A twentieth and a sixth of the section: coefficients and Strouhal number of the open road."""
    for ratio in (1 / 20, 1 / 6):
        sheet = campaign(AREA_M2 / ratio, blockage=method)
        folder = write_runs(tmp_path / f"{ratio:.2f}", [in_tunnel(factor(method, ratio))], sheet)
        result = run_result(analyse(open_campaign(folder)).runs[0])
        found = {q.quantity.measures: q for q in result.quantities}
        flow = result.analysis.flow

        assert flow is not None
        assert flow.blockage.dynamic_pressure_factor == pytest.approx(factor(method, ratio), 1e-3)
        assert found["drag"].mean.value == pytest.approx(DRAG, abs=0.001)
        assert found["pressure"].mean.value == pytest.approx(BASE, abs=0.001)
        assert found["cabin pressure"].mean.value == pytest.approx(STAGNATION, abs=0.001)
        lift = found["lift"]
        assert lift.rms is not None
        assert lift.rms.value == pytest.approx(np.hypot(0.03, 0.01), rel=0.02)
        assert found["pressure"].rms is not None
        assert found["pressure"].rms.value == pytest.approx(0.01, rel=0.02)
        peak = max(lift.peaks, key=lambda peak: peak.rms.value)
        strouhal = peak.frequency_hz.value * LENGTH_M / flow.speed_m_s
        assert strouhal == pytest.approx(STROUHAL, rel=0.005)


def test_every_result_names_the_correction_and_its_size(tmp_path: Path) -> None:
    """Half of 0.194 m² of 4.5 m²: 1 / (1 - 0.02156)² = 1.0445 on the dynamic pressure."""
    folder = two_configurations(tmp_path / "c", campaign=campaign(4.5, blockage="continuity"))
    words = "corrected by continuity, dynamic pressure times 1.0445"
    commands = {
        "rate": SPEED,
        "compare": SPEED,
        "spectra": (),
        "table": ("--from", "130 km/h", "--to", "130 km/h"),
    }
    for command, options in commands.items():
        text = run_buffet(command, folder, *options).stdout
        document = json.loads(run_buffet(command, folder, *options, "--json").stdout)
        assert words in " ".join(text.split())
        if command == "spectra":
            told = [run["blockage"] for run in document["runs"] if run["kind"] == "wind-on"]
            assert {one["method"] for one in told} == {"continuity"}
            assert [one["dynamic_pressure_factor"] for one in told] == pytest.approx(
                [1.0445] * 2, abs=5e-5
            )
            names = [step["name"] for step in document["runs"][1]["provenance"]["steps"]]
            assert names[-1] == "correct blockage"
        else:
            assert document["blockage_correction"] == "continuity"
            assert document["blockage_ratio"] == 0.194 / 4.5
            assert document["dynamic_pressure_factor"] == pytest.approx([1.0445] * 2, abs=5e-5)

    run_buffet("report", folder, *SPEED, "--up-to", "140 km/h", "-o", tmp_path / "report.html")
    assert words in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_maskell_gives_a_range_over_configurations(tmp_path: Path) -> None:
    """The spoiler has more drag, 0.33 for 0.32: 1 + 2.5 C_D 0.0431 = 1.0345 to 1.0356."""
    folder = two_configurations(tmp_path / "c", campaign=campaign(4.5, blockage="maskell"))

    text = " ".join(run_buffet("rate", folder, *SPEED).stdout.split())

    assert "corrected after Maskell, dynamic pressure times 1.0345 to 1.0356" in text


def test_runs_at_one_wind_speed_are_compared_whatever_their_drag(tmp_path: Path) -> None:
    """At S/C 0.097 a C_D of 0.3 and one of 0.5 make speeds at the model that differ by 2.2 %."""
    runs = [lift_run(n, 0.03, drag=drag) for n, drag in (("1", 0.3), ("2", 0.5))]
    runs[1] = replace(runs[1], configuration="spoiler")
    folder = write_runs(tmp_path / "c", runs, campaign(2.0, blockage="maskell"))

    analysis = analyse(open_campaign(folder))

    first, second = (run.flow for run in analysis.runs)
    assert first is not None
    assert second is not None
    assert second.speed_m_s / first.speed_m_s == pytest.approx(1.022, abs=1e-3)
    assert len({point for _, point in cells(analysis)}) == 1


def codes(folder: Path) -> dict[str, dict[str, str]]:
    """Findings of `check` by code."""
    found = json.loads(run_buffet("check", folder, "--json").stdout)["findings"]
    return {one["code"]: one for one in found}


@pytest.mark.parametrize(
    ("sheet", "code", "said"),
    [
        (campaign(2.0), "blockage-not-corrected", "coefficients are some 10% too large"),
        (campaign(2.0, kind="open"), "blockage-not-corrected", "coefficients come out too small"),
        (campaign(0.9, blockage="maskell"), "blockage-out-of-range", "fills 21.6% of the closed"),
        (campaign(4.5), None, ""),
        (campaign(2.0, blockage="continuity"), None, ""),
    ],
)
def test_check_tells_of_large_blockage(
    tmp_path: Path, sheet: dict[str, Any], code: str | None, said: str
) -> None:
    """9.7 % uncorrected in both kinds of section, 21.6 % corrected; none at 4.3 % or corrected."""
    told = codes(write_runs(tmp_path / "c", [lift_run("1", 0.03)], sheet))

    found = {name: one for name, one in told.items() if name.startswith("blockage")}
    assert list(found) == ([] if code is None else [code])
    assert all(said in one["message"] for one in found.values())


def test_a_corrected_speed_does_not_disagree_with_the_sheet(tmp_path: Path) -> None:
    """Measured and stated speed agree; that blockage adds 10 % to q is no disagreement."""
    run = lift_run("1", 0.03)
    wind = 40 + 0.01 * np.sin(np.arange(len(run.samples["lift"])))
    measured = replace(run, samples={**run.samples, "air speed": wind}, units={"air speed": "m/s"})
    sheet = campaign(2.0, blockage="continuity")

    assert "wind-disagrees" not in codes(write_runs(tmp_path / "c", [measured], sheet))


def test_a_run_with_thrust_fails_alone(tmp_path: Path) -> None:
    """Maskell's rule has no answer to a drag below zero: the other run finishes."""
    runs = [lift_run("1", 0.03), lift_run("2", 0.03, drag=-0.1)]
    folder = write_runs(tmp_path / "c", runs, campaign(4.5, blockage="maskell"))

    result = run_buffet("spectra", folder, "--json")
    document = json.loads(result.stdout)

    assert result.exit_code == 1
    assert [run["run"] for run in document["runs"]] == ["1"]
    assert "Maskell's blockage correction cannot be made" in document["failed"][0]["error"]
