"""What is said besides a verdict: yaw, lines, assumptions, lost runs, missing repeats."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from buffet.analysis import analyse
from buffet.rating.rate import ConfigurationRating, Rating, RatingSettings, rate
from ingest import open_campaign
from tests.buffet.campaigns import (
    CAMPAIGN,
    RATE_HZ,
    PlantedRun,
    changed,
    lift_run,
    run_buffet,
    two_configurations,
    wind_off,
    write_runs,
    write_sheet,
)

SPEED = ("--speed", "130 km/h")
SPEED_M_S = 130 / 3.6


def rated(folder: Path, up_to_m_s: float = 30 / 3.6) -> Rating:
    """At 130 km/h."""
    analysis = analyse(open_campaign(folder))
    return rate(analysis, RatingSettings(SPEED_M_S, up_to_m_s=up_to_m_s))


def named(rating: Rating, name: str) -> ConfigurationRating:
    """One configuration of a rating."""
    (one,) = [one for one in rating.configurations if one.name == name]
    return one


def test_other_yaw_angles_are_not_pooled(tmp_path: Path) -> None:
    """A run at 10 deg with twice the fluctuation leaves the rating at 0 deg as it was."""
    straight = write_runs(tmp_path / "straight", [lift_run("1", 0.03)])
    both = write_runs(tmp_path / "both", [lift_run("1", 0.03)])
    sheet = lift_run("2", 0.06).sheet()
    write_sheet(both, "2", changed(sheet, ("run", "yaw"), "10 deg"))
    (both / "runs" / "2.csv").write_text(lift_run("2", 0.06).recording(), encoding="utf-8")

    alone, with_yaw = named(rated(straight), "bare"), named(rated(both), "bare")

    assert with_yaw.criteria[0].metric == alone.criteria[0].metric
    assert "Runs at other yaw angles (10 deg) are not rated: still air is assumed." in with_yaw.why
    assert "yaw angles" not in alone.why


def test_a_line_in_lift_is_told_and_is_no_wake(tmp_path: Path) -> None:
    """A tone of half the variance counts in the rating, with a sentence that says so."""
    run = lift_run("1", 0.03)
    time_s = np.arange(len(run.samples["lift"])) / RATE_HZ
    tone = 0.03 * np.sqrt(2) * np.sin(2 * np.pi * 31.7 * time_s)
    samples = {**run.samples, "lift": run.samples["lift"] + tone}
    folder = write_runs(tmp_path / "c", [replace(run, samples=samples)])

    why = named(rated(folder), "bare").why

    assert "A pure line holds up to 5" in why  # 50 %, give or take the noise's own scatter
    assert "(31.7 Hz in run 1)" in why
    assert "the fan's, the mains' or the rig's" in why


def test_hum_that_the_wind_off_noise_takes_out_is_not_told(tmp_path: Path) -> None:
    """The same tone of a third of the variance with the wind off: it no longer counts."""
    run, still = replace(lift_run("1", 0.03), zero="0"), wind_off("0", 0.0005, 60.0)
    time_s = np.arange(len(run.samples["lift"])) / RATE_HZ
    hum = 0.02 * np.sqrt(2) * np.sin(2 * np.pi * 50.0 * time_s)
    runs = [
        replace(one, samples={word: values + hum for word, values in one.samples.items()})
        for one in (run, still)
    ]

    assert "pure line" not in named(rated(write_runs(tmp_path / "c", runs)), "bare").why


def test_nothing_above_the_noise_is_unlikely(tmp_path: Path) -> None:
    """A wake that the wind-off noise hides has an upper limit, and that lies below the limits."""
    quiet = replace(lift_run("1", 0.0005), zero="0")
    folder = write_runs(tmp_path / "c", [wind_off("0", 0.0005, 60.0), quiet])

    one = named(rated(folder), "bare")
    comfort = next(row for row in one.criteria if row.criterion.id == "vertical-comfort")

    assert one.verdict == "unlikely"
    assert comfort.metric is not None
    assert comfort.metric.high is not None
    assert comfort.metric.high < comfort.criterion.possible / 50


def test_onset_below_what_is_covered_has_no_lower_end(tmp_path: Path) -> None:
    """A lift so strong that the first covered speed already passes the limit."""
    one = named(rated(write_runs(tmp_path / "c", [lift_run("1", 3.0)]), 200 / 3.6), "bare")

    assert one.onset is not None
    assert one.onset.speed_m_s is not None
    assert one.onset.speed_m_s.low is None
    assert "the lowest speed that is covered" in one.onset_why


def test_configurations_without_a_readable_run_are_named(tmp_path: Path) -> None:
    """In text and JSON of rate and compare, with exit code 1."""
    folder = two_configurations(tmp_path / "c", 20.0)
    (folder / "runs" / "2.csv").write_text("", encoding="utf-8")

    text = run_buffet("rate", folder, *SPEED)
    printed = json.loads(run_buffet("rate", folder, *SPEED, "--json").stdout)
    compared = run_buffet("compare", folder, *SPEED)

    assert text.exit_code == compared.exit_code == 1
    assert "spoiler: left out, no run could be read." in text.stdout
    assert printed["left_out"] == ["spoiler"]
    assert "Left out, no run could be read: spoiler." in compared.stdout


def test_missing_repeats_are_told(tmp_path: Path) -> None:
    """Without repeats a comparison does not know the scatter from run to run."""
    once = two_configurations(tmp_path / "once", 20.0)
    runs = [lift_run("1", 0.03), lift_run("2", 0.03), lift_run("3", 0.015, "spoiler")]
    twice = write_runs(tmp_path / "twice", runs)
    note = "No operating point was run twice"

    assert note in run_buffet("compare", once, *SPEED).stdout
    assert note not in run_buffet("compare", twice, *SPEED).stdout
    printed = json.loads(run_buffet("compare", twice, *SPEED, "--json").stdout)
    assert printed["repeated"] is True


def test_too_little_record_marks_a_ratio(tmp_path: Path) -> None:
    """Three seconds a run: the ratio carries a mark, in JSON its name."""
    folder = two_configurations(tmp_path / "c", 3.0)

    text = run_buffet("compare", folder, *SPEED).stdout
    printed = json.loads(run_buffet("compare", folder, *SPEED, "--json").stdout)

    assert "* too few independent stretches" in text
    assert "lift" in printed["configurations"][0]["unreliable"]


def test_findings_are_mentioned_beside_a_rating(tmp_path: Path) -> None:
    """A clipped channel does not stop a rating, but stderr points to `check`."""
    run = lift_run("1", 0.03)
    clipped = np.clip(run.samples["lift"], 0.08, 0.12)
    sheet = replace(run, samples={**run.samples, "lift": clipped}).sheet()
    folder = write_runs(tmp_path / "c", [replace(run, samples={**run.samples, "lift": clipped})])
    write_sheet(folder, "1", changed(sheet, ("channel", 1, "full_scale"), 0.12))

    result = run_buffet("rate", folder, *SPEED)

    assert result.exit_code == 0
    assert "in the recordings: see `buffet check`" in result.stderr


def test_blockage_is_named(tmp_path: Path) -> None:
    """Nothing is corrected, and the size of what is not is told: 0.194 / 4.5 = 4.3 %."""
    campaign = {**CAMPAIGN, "test_section": {"kind": "closed", "area": "4.5 m^2"}}
    folder = write_runs(tmp_path / "c", [lift_run("1", 0.03)], campaign)

    text = " ".join(run_buffet("rate", folder, *SPEED).stdout.split())
    printed = json.loads(run_buffet("rate", folder, *SPEED, "--json").stdout)

    assert "Blockage: not corrected, the model fills 4.3% of the test section." in text
    assert printed["blockage_correction"] == "none"
    assert printed["blockage_ratio"] == 0.194 / 4.5


def test_segments_follow_a_measured_wind_speed(tmp_path: Path) -> None:
    """Air speed from a channel: 24 L / (0.1 U) = 2.6 s at 40 m/s, as if the sheet had said it."""
    run = lift_run("1", 0.03, seconds=60.0)
    wind = 40 + 0.01 * np.sin(np.arange(len(run.samples["lift"])))
    by_channel = PlantedRun(
        "1", {**run.samples, "air speed": wind}, units={"air speed": "m/s"}, air={}
    )
    stated = write_runs(tmp_path / "stated", [run])
    measured = write_runs(tmp_path / "measured", [by_channel])

    lengths = [analyse(open_campaign(folder)).runs[0].segment_s for folder in (stated, measured)]

    assert abs(lengths[0] - 24 * 0.435 / (0.1 * 40)) < 0.05
    assert abs(lengths[1] - lengths[0]) < 0.05
