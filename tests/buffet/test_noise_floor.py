"""Signal over wind-off noise against planted powers, and how often its intervals cover them."""

from __future__ import annotations

import json
from dataclasses import replace
from math import log10
from pathlib import Path

import numpy as np
import pytest

from buffet.noise_floor import NO_WIND, NO_WIND_OFF, ONLY_NOISE, SILENT, signal_to_noise
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import ReducedSpectra
from tests.buffet.campaigns import PlantedRun, band_noise, run_buffet, wind_off, write_runs
from tests.thorough.records import PEAKY, WHITE, Kind
from tests.thorough.simulated import CampaignKind, campaigns

SECONDS = 120.0
SIGNAL, NOISE = 0.02, 0.01
PLANTED_DB = 6.02  # 20 log10(0.02 / 0.01): white over white, so in every band


def noisy_run(number: str, signal: float = SIGNAL, noise: float = NOISE) -> PlantedRun:
    """White lift and drag with the wind-off run's noise on top, whatever the seed."""
    seed = 100 * int(number)
    samples = {
        word: 0.1
        + band_noise(seed + i, signal, SECONDS)
        + band_noise(seed + 50 + i, noise, SECONDS)
        for i, word in enumerate(("drag", "lift", "pitch moment"))
    }
    return PlantedRun(number, samples, zero="0")


def test_planted_ratio_is_found_in_every_band(tmp_path: Path) -> None:
    """Power 4 over power 1 in each octave and over the whole band, on the road's frequencies."""
    folder = write_runs(tmp_path / "c", [wind_off("0", NOISE, SECONDS), noisy_run("1")])

    run = json.loads(run_buffet("spectra", folder, "--speed", "130 km/h", "--json").stdout)["runs"][
        1
    ]
    levels = [band["signal_to_noise_db"] for c in run["channels"] for band in c["bands"]]
    known = [level for level in levels if level is not None]

    assert len(known) > 15
    covered = [one["low"] <= PLANTED_DB <= one["high"] for one in known]
    assert np.mean(covered) > 0.8
    whole = {c["measures"]: c["signal_to_noise_db"] for c in run["channels"]}
    assert whole["lift"]["value"] == pytest.approx(PLANTED_DB, abs=0.3)
    assert whole["lift"]["low"] < PLANTED_DB < whole["lift"]["high"]


def test_why_there_is_no_ratio(tmp_path: Path) -> None:
    """No wind, no wind-off run, nothing but noise, a band out of reach: each has its reason."""
    runs = [wind_off("0"), noisy_run("1"), replace(noisy_run("2"), zero=None)]
    folder = write_runs(tmp_path / "c", runs)

    off, on, bare = json.loads(run_buffet("spectra", folder, "--json").stdout)["runs"]

    assert {c["signal_to_noise_why"] for c in off["channels"]} == {NO_WIND}
    assert {c["signal_to_noise_why"] for c in bare["channels"]} == {NO_WIND_OFF}
    assert {c["signal_to_noise_why"] for c in on["channels"]} == {None}
    assert all(c["signal_to_noise_db"] is None for c in (*off["channels"], *bare["channels"]))


def test_text_gives_decibels_in_octaves(tmp_path: Path) -> None:
    """One row a quantity under a heading of their own."""
    folder = write_runs(tmp_path / "c", [wind_off("0", NOISE, SECONDS), noisy_run("1")])

    text = run_buffet("spectra", folder, "--run", "1").stdout
    below = text.split("dB over noise, Hz")[1].splitlines()

    lift = next(line for line in below if line.startswith("lift"))
    assert {int(cell) for cell in lift.split()[1:]} <= {4, 5, 6, 7, 8}


def simulated(kind: CampaignKind, n: int, seed: int) -> list[RunAnalysis]:
    """Two runs a campaign, each with a wind-off run of its own."""
    made = campaigns(kind, n // 2, np.random.default_rng(seed))
    return [run for campaign in made for run in campaign.runs]


@pytest.mark.parametrize("kind", [WHITE, PEAKY], ids=lambda kind: kind.name)
@pytest.mark.parametrize("noise", [0.1, 0.5, 1.0])
def test_intervals_cover_the_planted_ratio(kind: Kind, noise: float) -> None:
    """90 to 99 % of 200 records of 60 s with wind-off runs of 20 s, at 20, 6 and 0 dB."""
    truth_db = 10 * log10(kind.variance / noise**2)
    covered = 0
    for run in simulated(CampaignKind(kind.name, kind, noise=noise), 200, 7):
        noise_samples = run.noise_samples(ReducedSpectra.group_totals)
        assert noise_samples is not None
        found = signal_to_noise(run, 0, run.total_samples[:, 0], noise_samples[:, 0]).decibels
        assert found is not None
        assert found.high is not None
        covered += (found.low is None or found.low <= truth_db) and truth_db <= found.high

    assert 180 <= covered <= 198


def test_nothing_over_the_noise_and_no_noise_at_all() -> None:
    """Samples at or below zero in the first place have no logarithm."""
    (run, _) = simulated(CampaignKind("white", WHITE, noise=0.5), 2, 8)
    ones = np.ones(11)

    assert signal_to_noise(run, 0, -ones, ones).why == ONLY_NOISE
    assert signal_to_noise(run, 0, ones, 0 * ones).why == SILENT
    assert signal_to_noise(run, 0, ones, None).why == NO_WIND_OFF
