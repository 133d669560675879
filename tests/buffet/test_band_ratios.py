"""Ratios of RMS in octaves of road frequency: planted in one of them, or in none."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.buffet.campaigns import (
    RATE_HZ,
    SCALE,
    WIND_M_S,
    PlantedRun,
    band_noise,
    lift_run,
    run_buffet,
    write_runs,
)

SPEED = ("--speed", "130 km/h")
# Model hertz a road hertz at 130 km/h.
MODEL_HZ = WIND_M_S / (130 / 3.6) / SCALE


def printed(folder: Path) -> dict[str, Any]:
    """The one add-on of `buffet compare --json`."""
    result = run_buffet("compare", folder, *SPEED, "--json")
    assert result.exit_code == 0, result.output
    (one,) = json.loads(result.stdout)["configurations"]
    return dict(one)


def noise_run(number: str, name: str, more_in_hz: tuple[float, float] | None = None) -> PlantedRun:
    """White lift of 0.02; in one band three times the variance on top, so twice the RMS."""
    lift = band_noise(int(number), 0.02, 60.0)
    if more_in_hz is not None:
        share = (more_in_hz[1] - more_in_hz[0]) / (RATE_HZ / 2)
        lift = lift + band_noise(1000 + int(number), 0.02 * np.sqrt(3 * share), 60.0, *more_in_hz)
    return PlantedRun(number, {"lift": 0.1 + lift}, name)


def test_a_difference_in_one_octave_is_found_there_alone(tmp_path: Path) -> None:
    """Twice the RMS from 4 to 8 road hertz, the same elsewhere; p corrected over the octaves."""
    runs = [noise_run("1", "bare"), noise_run("2", "tail", (4 * MODEL_HZ, 8 * MODEL_HZ))]
    bands = printed(write_runs(tmp_path / "c", runs))["rms_ratio_in_bands"]["lift"]
    known = {band["road_low_hz"]: band for band in bands if band["ratio"] is not None}

    assert {1.0, 2.0, 4.0, 8.0, 16.0} <= set(known)
    for low_hz, band in known.items():
        assert band["road_high_hz"] == 2 * low_hz
        truth = 2.0 if low_hz == 4.0 else 1.0
        ratio = band["ratio"]
        reach = 1.5  # of five or more intervals at once
        low, high = (ratio["value"] * (ratio[e] / ratio["value"]) ** reach for e in ("low", "high"))
        assert low <= truth <= high
        assert (band["p_value"] < 0.001) == (low_hz == 4.0)


def test_octaves_that_a_run_does_not_reach_are_null_with_the_reason(tmp_path: Path) -> None:
    """At half the wind speed the anti-alias filter lets half the road frequency through."""
    runs = [noise_run("1", "bare"), noise_run("2", "tail")]
    slow = {"speed": f"{WIND_M_S / 2:g} m/s"}
    more = [replace(noise_run(n, name), air=slow) for n, name in (("3", "bare"), ("4", "tail"))]
    bands = printed(write_runs(tmp_path / "c", [*more, *runs]))["rms_ratio_in_bands"]["lift"]

    assert bands[-1]["ratio"] is bands[-1]["p_value"] is None
    assert bands[-1]["why"].startswith("beyond the usable band of run")
    assert any(band["ratio"] is not None for band in bands)


def test_octaves_in_text_are_bracketed_where_no_difference_is_shown(tmp_path: Path) -> None:
    """Within 80 columns; those that no run reaches are left away."""
    runs = [noise_run("1", "bare"), noise_run("2", "tail", (4 * MODEL_HZ, 8 * MODEL_HZ))]
    text = run_buffet("compare", write_runs(tmp_path / "c", runs), *SPEED).stdout
    lines = text.splitlines()
    (head,) = (i for i, line in enumerate(lines) if line.startswith("RMS ratio from, road Hz"))
    row = dict(zip(lines[head].split()[5:], lines[head + 2].split()[1:], strict=True))

    assert max(map(len, lines)) <= 80
    assert float(row["4"]) == pytest.approx(2, rel=0.1)
    assert row["1"].startswith("(")
    assert row["8"].startswith("(")
    assert "-" not in row.values()


def test_a_component_without_a_ratio_has_no_octaves(tmp_path: Path) -> None:
    """Drag measured in one of the two alone."""
    bare, tail = lift_run("1", 0.02), lift_run("2", 0.02, "tail")
    samples = {word: row for word, row in tail.samples.items() if word != "drag"}
    one = printed(write_runs(tmp_path / "c", [bare, replace(tail, samples=samples)]))

    assert "drag" not in one["rms_ratio_in_bands"]
    assert set(one["rms_ratio_in_bands"]) == set(one["rms_ratio"])
