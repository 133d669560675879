"""Results with the tunnel's part and without it, through every command."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import analyse
from buffet.rating.rate import RatingSettings, rate_without_tunnel
from buffet.run_spectra import run_result
from buffet.spectra_text import spectra_text
from buffet.terminal import rating_text
from ingest import open_campaign
from tests.buffet.campaigns import (
    PlantedRun,
    band_noise,
    lift_run,
    run_buffet,
    two_configurations,
    write_runs,
)

Array = NDArray[np.float64]

SECONDS = 60.0
SPEED = ("--speed", "130 km/h")
QUICK = ("--up-to", "130 km/h")


def in_a_pulsating_jet(run: PlantedRun, rms: float) -> PlantedRun:
    """The run with a lift of this RMS more, in step with a jet that a probe sees."""
    jet = band_noise(int(run.number) + 70, 1.0, SECONDS)
    samples = {
        word: values + {"lift": rms, "pitch moment": -0.4 * rms}.get(word, 0.0) * jet
        for word, values in run.samples.items()
    }
    return replace(run, samples={**samples, "reference": 15.0 * jet}, units={"reference": "Pa"})


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lift of 0.030 RMS of the bare car's own and 0.015 of a spoiler's, and 0.030 of the jet's."""
    bare = in_a_pulsating_jet(lift_run("1", 0.030), 0.030)
    spoiler = in_a_pulsating_jet(lift_run("2", 0.015, "spoiler", drag=0.33), 0.030)
    return write_runs(tmp_path_factory.mktemp("jet") / "campaign", [bare, spoiler])


@cache
def found(*arguments: object) -> dict[str, Any]:
    """A command's JSON."""
    done = run_buffet(*arguments, "--json")
    assert done.exit_code == 0, done.stderr
    return dict(json.loads(done.stdout))


def holds(interval: dict[str, float], truth: float) -> bool:
    """Whether an interval covers the truth."""
    return interval["low"] <= truth <= interval["high"]


def test_spectra_tell_the_tunnels_part(campaign: Path) -> None:
    """Half of the variance of the bare car's lift is the jet's; both sides are given."""
    run = found("spectra", campaign, "--run", "1")["runs"][0]
    lift = next(c for c in run["channels"] if c["name"] == "lift")
    probe = next(c for c in run["channels"] if c["name"] == "reference")

    assert run["reference_probes"] == ["reference"]
    assert (run["without_tunnel"], run["tunnel_why"]) == (False, None)
    assert holds(lift["coherent_rms"], 0.030)
    assert holds(lift["coherent_share"], 0.5)
    assert holds(lift["rms_without_tunnel"], 0.030)
    assert holds(lift["rms_with_tunnel"], np.hypot(0.030, 0.030))
    assert lift["rms"] == lift["rms_with_tunnel"]
    assert len(lift["tunnel_coherence"]) == len(lift["frequency_hz"])
    assert probe["coherent_rms"] is probe["tunnel_coherence"] is None


def test_spectra_without_it(campaign: Path) -> None:
    """The main RMS and the spectrum are then the wake's alone: half the density up to 125 Hz."""
    both = (found("spectra", campaign, "--run", "1", *o) for o in ((), ("--without-tunnel",)))
    read, rest = (run["runs"][0] for run in both)
    lift, wake = (next(c for c in run["channels"] if c["name"] == "lift") for run in (read, rest))

    assert rest["without_tunnel"] is True
    assert wake["rms"] == lift["rms_without_tunnel"]
    assert wake["rms_with_tunnel"] == lift["rms"]
    assert wake["mean"] == lift["mean"]
    inside = slice(2, -2)
    step = np.mean(np.subtract(lift["psd"][inside], wake["psd"][inside]))
    assert step == pytest.approx(0.030**2 / 125, rel=0.1)


def test_spectra_in_words(campaign: Path) -> None:
    """A table of its own, which says whether the part is out."""
    run = analyse(open_campaign(campaign), ["2"]).runs[0]
    assert run.without_tunnel is not None
    read, rest = (
        spectra_text([run_result(one, lambda quantity: False)]) for one in (run, run.without_tunnel)
    )

    assert "What follows the reference probe.\n" in read
    assert "What follows the reference probe, taken out above.\n" in rest
    assert "share of variance" in read
    assert max(map(len, read.splitlines())) <= 80


def test_a_rating_is_given_both_ways(campaign: Path) -> None:
    """Without the option a remark; with it the metrics fall, and the others stand beside them."""
    read = found("rate", campaign, *SPEED, *QUICK)
    rest = found("rate", campaign, *SPEED, *QUICK, "--without-tunnel")
    before, after = (
        {c["name"]: {r["id"]: r for r in c["criteria"]} for c in one["configurations"]}
        for one in (read, rest)
    )
    bare = next(c for c in read["configurations"] if c["name"] == "bare")
    wake = next(c for c in rest["configurations"] if c["name"] == "bare")

    assert (read["without_tunnel"], rest["without_tunnel"]) == (False, True)
    for name, share in (("bare", 1 / np.sqrt(2)), ("spoiler", 0.015 / np.hypot(0.015, 0.030))):
        row, own = (side[name]["vertical-comfort"] for side in (before, after))
        assert row["metric_with_tunnel"] is None
        assert own["metric_with_tunnel"] == row["metric"]
        assert own["metric"]["value"] / row["metric"]["value"] == pytest.approx(share, rel=0.05)
    assert wake["verdict_with_tunnel"] == bare["verdict"]
    assert bare["verdict_with_tunnel"] is None
    assert "follows the reference probe in the oncoming flow and counts here" in bare["why"]
    assert "in the oncoming flow and is taken out: lift RMS 0.042 with it, 0.030" in wake["why"]


def test_a_rating_in_words_names_the_verdicts_with_it(campaign: Path) -> None:
    """One paragraph above the table."""
    analysis = analyse(open_campaign(campaign))
    text = rating_text(rate_without_tunnel(analysis, RatingSettings(130 / 3.6, up_to_m_s=40.0)))
    assert "Rated without what follows the reference probes in the oncoming flow." in text
    assert "With it: bare" in text.replace("\n", " ")


def test_tables_hold_both(campaign: Path) -> None:
    """Lift RMS, the seat's acceleration and the verdict with the tunnel's part, a column each."""
    road = ("--from", "120 km/h", "--to", "130 km/h")
    read = found("table", campaign, *road)["rows"]
    rest = found("table", campaign, *road, "--without-tunnel")["rows"]
    at = {(row["configuration"], row["speed_m_s"]): row for row in read}

    assert not [key for key in read[0] if "tunnel" in key]
    for row in rest:
        other = at[row["configuration"], row["speed_m_s"]]
        assert row["drag_n"] == other["drag_n"]
        for key in ("lift_rms_n", "weighted_acceleration_m_s2", "verdict"):
            assert row[f"{key}_with_tunnel"] == other[key]
        assert row["lift_rms_n"] < 0.8 * other["lift_rms_n"]


def test_comparisons_hold_both(campaign: Path) -> None:
    """The spoiler halves the car's own lift, but the jet's part hides that."""
    read = found("compare", campaign, *SPEED)
    rest = found("compare", campaign, *SPEED, "--without-tunnel")
    before, after = (one["configurations"][0] for one in (read, rest))

    assert before["rms_ratio_with_tunnel"] is None
    assert after["rms_ratio_with_tunnel"] == before["rms_ratio"]
    assert holds(after["rms_ratio"]["lift"], 0.5)
    assert before["rms_ratio"]["lift"]["value"] == pytest.approx(
        np.hypot(0.015, 0.030) / np.hypot(0.030, 0.030), rel=0.05
    )
    assert (read["without_tunnel"], rest["without_tunnel"]) == (False, True)


def test_a_report_says_so(campaign: Path, tmp_path: Path) -> None:
    """In the sentence of each verdict."""
    page = tmp_path / "page.html"
    done = run_buffet("report", campaign, *SPEED, *QUICK, "--without-tunnel", "-o", page)

    assert done.exit_code == 0, done.stderr
    assert "in the oncoming flow and is taken out" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "command",
    [
        ("spectra",),
        ("rate", *SPEED),
        ("table",),
        ("compare", *SPEED),
        ("report", *SPEED),
    ],
    ids=lambda command: command[0],
)
def test_runs_without_a_probe_are_named(command: tuple[str, ...], tmp_path: Path) -> None:
    """At once, with what to do; the wind-off run is not among them."""
    folder = two_configurations(tmp_path / "campaign", 20.0)
    for recording in folder.glob("runs/*.csv"):
        recording.write_text("nothing that could be read")
    done = run_buffet(command[0], folder, *command[1:], "--without-tunnel")

    assert (done.exit_code, done.stdout) == (1, "")
    assert "taken out: there is no reference probe in run 1, 2. State" in done.stderr
    assert "State a channel with measures = 'reference' in each sheet" in done.stderr


def test_a_dead_probe_is_told_after_reading(tmp_path: Path) -> None:
    """Its sheet is right, its samples never change."""
    run = in_a_pulsating_jet(lift_run("1", 0.030), 0.030)
    dead = replace(run, samples=dict(run.samples) | {"reference": np.zeros(round(SECONDS * 250))})
    done = run_buffet(
        "spectra", write_runs(tmp_path / "campaign", [dead]), "--run", "1", "--without-tunnel"
    )

    assert (done.exit_code, done.stdout) == (1, "")
    assert "the reference probe never changed in run 1" in done.stderr


def test_a_campaign_without_probes_says_why_not(tmp_path: Path) -> None:
    """The keys are there and null, and no remark is made."""
    folder = two_configurations(tmp_path / "campaign", 20.0)
    runs = found("spectra", folder)["runs"]
    why = {run["run"]: run["tunnel_why"] for run in runs}

    assert why == {
        "0": "there was no wind",
        "1": "there is no reference probe",
        "2": "there is no reference probe",
    }
    assert runs[1]["channels"][0]["coherent_rms"] is None
    assert "reference probe" not in run_buffet("spectra", folder, "--run", "1").stdout
