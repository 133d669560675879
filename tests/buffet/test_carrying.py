"""Whether a record can carry a rating: each thing that it may lack, planted alone."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.buffet.campaigns import (
    CAMPAIGN,
    PlantedRun,
    band_noise,
    changed,
    lift_run,
    run_buffet,
    wind_off,
    write_runs,
    write_sheet,
)

SECONDS = 60.0
TO_ROAD = 130 / 3.6 / 40 * 0.30  # road over model frequency at 130 km/h, U = 40 m/s, scale 0.30
CARRIES, IN_PART, NOT = "carries", "carries in part", "does not carry"
CODES = {IN_PART: ("note", "carries-rating-in-part"), NOT: ("warning", "cannot-carry-rating")}


def judged(folder: Path, number: str = "1") -> tuple[str, str]:
    """Verdict and reasons of one run; the finding that must go with it is looked for."""
    document = json.loads(run_buffet("check", folder, "--json").stdout)
    (told,) = [one for one in document["carries"] if one["run"] == number]
    found = [
        one
        for one in document["findings"]
        if one["run"] == number and one["code"] in [code for _, code in CODES.values()]
    ]
    why = "; ".join(told["why"])
    if told["verdict"] == CARRIES:
        assert found == []
        assert why == ""
    else:
        (finding,) = found
        assert (finding["severity"], finding["code"]) == CODES[told["verdict"]]
        assert why in finding["message"]
    return told["verdict"], why


def campaign(
    tmp_path: Path, run: PlantedRun, others: Sequence[PlantedRun] = (), **channel: Any
) -> Path:
    """Run 1 with wind-off run 0 before it, if no other is given; keys for all its channels."""
    run = replace(run, zero="0", channel=channel)
    return write_runs(tmp_path / "c", [*(others or [wind_off("0")]), run])


def noisy(run: PlantedRun, rms: float) -> PlantedRun:
    """The same with noise on every channel."""
    samples = {
        word: values + band_noise(900 + i, rms, len(values) / 250.0)
        for i, (word, values) in enumerate(run.samples.items())
    }
    return replace(run, samples=samples)


def test_a_sound_record_carries(tmp_path: Path) -> None:
    """A minute of lift thirty times over the noise; the closing line counts it."""
    folder = campaign(tmp_path, lift_run("1", 0.03))

    assert judged(folder) == (CARRIES, "")
    text = run_buffet("check", folder).stdout
    assert text.splitlines()[-1] == "1 of 1 runs can carry a vertical rating at 130 km/h."


def test_drowned_in_noise(tmp_path: Path) -> None:
    """Noise of five times the lift's RMS, 14 dB above it: in every octave."""
    run = noisy(lift_run("1", 0.01), 0.05)
    verdict, why = judged(campaign(tmp_path, run, [wind_off("0", 0.05, 60.0)]))

    assert verdict == NOT
    assert "the noise is larger than the lift in 1 to 8 road Hz" in why


def test_drowned_in_one_octave(tmp_path: Path) -> None:
    """Lift from 2.2 road Hz up alone: below it there is nothing but noise."""
    lift = band_noise(1, 0.03, SECONDS, 2.2 / TO_ROAD, 40.0)
    quiet = PlantedRun("1", {"drag": 0.3 + 0.2 * lift, "lift": lift, "pitch moment": 0.4 * lift})
    verdict, why = judged(campaign(tmp_path, noisy(quiet, 0.01), [wind_off("0", 0.01, 60.0)]))

    assert (verdict, why) == (IN_PART, "the noise is larger than the lift in 1 to 2 road Hz")


@pytest.mark.parametrize(
    ("natural_hz", "verdict", "reach"),
    [(20.0, IN_PART, 0.8 * 20 * TO_ROAD), (4.0, NOT, 0.8 * 4 * TO_ROAD)],
)
def test_a_resonance_cuts_the_band(
    tmp_path: Path, natural_hz: float, verdict: str, reach: float
) -> None:
    """Four fifths of 20 Hz are 4.3 road Hz, of 4 Hz not even one."""
    folder = campaign(tmp_path, lift_run("1", 0.03), natural_frequency=f"{natural_hz} Hz")

    found, why = judged(folder)

    assert found == verdict
    assert f"to {reach:.3g} road Hz of 1 to 8" in why


def test_no_wind_off_run(tmp_path: Path) -> None:
    """Nobody knows how much is noise."""
    folder = write_runs(tmp_path / "c", [lift_run("1", 0.03)])

    verdict, why = judged(folder)

    assert verdict == IN_PART
    assert "how much of it is noise is not known" in why


def test_a_short_record_and_its_repeat(tmp_path: Path) -> None:
    """Four seconds hold five segments of 1.3 s; a repeat of a minute makes up for it."""
    short = lift_run("1", 0.03, seconds=4.0)
    alone = judged(campaign(tmp_path / "alone", short))
    both = [wind_off("0"), replace(lift_run("2", 0.03), zero="0")]

    assert alone[0] == NOT
    assert "independent stretches, a verdict needs 8" in alone[1]
    assert judged(campaign(tmp_path / "both", short, both)) == (CARRIES, "")


def test_a_wind_off_run_too_short_for_its_noise(tmp_path: Path) -> None:
    """Noise 0.8 of the lift's RMS known from 1 s: 0.64 / √(3.7 Hz · 1 s), a third of the lift's."""
    run = noisy(lift_run("1", 0.03), 0.024)
    short = judged(campaign(tmp_path / "short", run, [wind_off("0", 0.024, 1.0)]))
    long = judged(campaign(tmp_path / "long", run, [wind_off("0", 0.024, 60.0)]))

    assert short[0] == IN_PART
    assert "the wind-off record is too short to know the noise" in short[1]
    assert long == (CARRIES, "")


def test_damage_of_the_lift_and_of_a_tap(tmp_path: Path) -> None:
    """A lift cut off at its full scale carries nothing; a tap cut off takes nothing away."""
    run = lift_run("1", 0.03)
    clipped = np.clip(run.samples["lift"], 0.08, 0.12)
    lift = replace(run, samples={**run.samples, "lift": clipped})
    tap = replace(run, samples={**run.samples, "pressure": clipped})
    told = []
    for name, one, index in (("lift", lift, 1), ("tap", tap, 3)):
        quiet = {word: band_noise(i, 0.0005, 20.0) for i, word in enumerate(one.samples)}
        folder = campaign(tmp_path / name, one, [PlantedRun("0", quiet, None)])
        sheet = replace(one, zero="0").sheet()
        write_sheet(folder, "1", changed(sheet, ("channel", index, "full_scale"), 0.12))
        told.append(judged(folder))

    assert told[0][0] == NOT
    assert told[0][1].startswith("errors: ")
    assert "in lift" in told[0][1]
    assert told[1] == (CARRIES, "")


@pytest.mark.parametrize(
    ("words", "verdict", "said"),
    [
        (("drag",), NOT, "lift was not measured"),
        (("drag", "lift"), IN_PART, "without a pitch moment the rear axle's load is not rated"),
    ],
)
def test_missing_components(
    tmp_path: Path, words: tuple[str, ...], verdict: str, said: str
) -> None:
    """No lift, nothing rated; no pitch moment, no axle loads."""
    runs = [wind_off("0"), replace(lift_run("1", 0.03), zero="0")]
    kept = [replace(run, samples={w: run.samples[w] for w in words}) for run in runs]

    found = judged(write_runs(tmp_path / "c", kept))

    assert found[0] == verdict
    assert said in found[1]


def test_an_unread_run_is_counted(tmp_path: Path) -> None:
    """It failed, so it carries nothing; the count says so."""
    runs = [wind_off("0"), *(replace(lift_run(n, 0.03), zero="0") for n in "12")]
    folder = write_runs(tmp_path / "c", runs)
    (folder / "runs" / "2.csv").write_text("drag,lift,pitch moment\n")

    document = json.loads(run_buffet("check", folder, "--json").stdout)
    text = run_buffet("check", folder).stdout

    verdicts = {one["run"]: (one["verdict"], one["why"]) for one in document["carries"]}
    assert verdicts == {"1": (CARRIES, []), "2": (NOT, ["the run could not be read"])}
    assert "1 of 2 runs can carry a vertical rating at 130 km/h." in text


def test_without_a_model_nobody_asks(tmp_path: Path) -> None:
    """Spectra alone need no rating."""
    sheet = {key: value for key, value in CAMPAIGN.items() if key != "model"}
    folder = write_runs(tmp_path / "c", [lift_run("1", 0.03)], sheet)

    assert json.loads(run_buffet("check", folder, "--json").stdout)["carries"] == []
    assert "can carry" not in run_buffet("check", folder).stdout


def test_bridges_without_a_balance_are_told_what_they_lack(tmp_path: Path) -> None:
    """Lift is behind them, once a file says how."""
    folder = campaign(tmp_path, PlantedRun("1", {"bridge": np.ones(2000)}, units={"bridge": "V"}))
    document = json.loads(run_buffet("check", folder, "--json").stdout)

    (told,) = [one for one in document["carries"] if one["run"] == "1"]
    assert told["verdict"] == NOT
    assert any("[balance] with file" in one["advice"] for one in document["findings"])
