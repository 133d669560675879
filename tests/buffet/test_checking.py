"""`check` as a whole: every run analysed, one lost run does not take the others along."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buffet.checking import check
from ingest import SEVERITIES, open_campaign
from tests.buffet.campaigns import (
    PlantedRun,
    band_noise,
    changed,
    lift_run,
    run_buffet,
    wind_off,
    write_runs,
    write_sheet,
)

SECONDS = 20.0


def test_findings_of_samples_segments_and_spectra(tmp_path: Path) -> None:
    """Spikes, a drifting drag, a short record and white spectra in one campaign, worst first."""
    spiky = lift_run("1", 0.03)
    lift = spiky.samples["lift"].copy()
    lift[5000::5000] += 2.0
    drag = spiky.samples["drag"] + 0.02 * np.linspace(0, 1, lift.size)
    spiky = replace(spiky, samples={**spiky.samples, "lift": lift, "drag": drag})
    short = replace(lift_run("2", 0.03, seconds=8.0), zero="0")
    folder = write_runs(tmp_path / "c", [wind_off("0"), replace(spiky, zero="0"), short])

    checked = check(open_campaign(folder))
    told = {(finding.run, finding.code, finding.channel) for finding in checked.findings}

    assert checked.failed == ()
    assert {
        ("1", "spikes", "lift"),
        ("1", "mean-drifts", "drag"),
        ("1", "aliasing", None),
        ("1", "cannot-carry-rating", None),
        ("2", "few-segments", None),
        ("2", "aliasing", None),
    } == told
    ranks = [SEVERITIES.index(finding.severity) for finding in checked.findings]
    assert ranks == sorted(ranks)


def test_a_run_without_spectra_keeps_what_its_samples_say(tmp_path: Path) -> None:
    """A balance of 0.1 Hz leaves no band: that run failed, yet its dead drag is told."""
    lift = band_noise(1, 0.03, SECONDS)
    soft = PlantedRun("1", {"drag": np.zeros(lift.size), "lift": lift})
    folder = write_runs(tmp_path / "c", [soft, lift_run("2", 0.03, seconds=SECONDS)])
    sheet = soft.sheet()
    for channel in (0, 1):
        sheet = changed(sheet, ("channel", channel, "natural_frequency"), "0.1 Hz")
    write_sheet(folder, "1", sheet)

    result = run_buffet("check", folder, "--json")
    document = json.loads(result.stdout)

    assert result.exit_code == 1
    assert [one["run"] for one in document["failed"]] == ["1"]
    assert "have no bin below the 0.08 Hz" in document["failed"][0]["error"]
    told = {(one["run"], one["code"]) for one in document["findings"]}
    assert ("1", "constant") in told
    assert ("1", "zero-none") not in told
    assert ("2", "aliasing") in told


@pytest.mark.parametrize(("kept", "said"), [(1, "there are no samples"), (4, "has 3 samples")])
def test_a_run_too_short_for_a_spectrum(tmp_path: Path, kept: int, said: str) -> None:
    """No sample and three: told as failed, the other run's findings stand."""
    runs = [lift_run(number, 0.03, seconds=SECONDS) for number in "12"]
    folder = write_runs(tmp_path / "c", runs)
    recording = folder / "runs" / "2.csv"
    recording.write_text("\n".join(recording.read_text().splitlines()[:kept]) + "\n")

    result = run_buffet("check", folder, "--json")
    document = json.loads(result.stdout)

    assert result.exit_code == 1
    assert [failure["run"] for failure in document["failed"]] == ["2"]
    assert said in document["failed"][0]["error"]
    assert said in result.stderr
    assert ("1", "aliasing") in {(one["run"], one["code"]) for one in document["findings"]}


def test_progress_names_reading_and_peaks(tmp_path: Path) -> None:
    """One line before each run is read and one before its peaks are looked for."""
    runs = [lift_run(number, 0.03, seconds=SECONDS) for number in "12"]
    lines: list[str] = []
    check(open_campaign(write_runs(tmp_path / "c", runs)), lines.append)

    assert lines == [
        "run 1 (1 of 2)",
        "run 2 (2 of 2)",
        "peaks of run 1 (1 of 2)",
        "peaks of run 2 (2 of 2)",
    ]
