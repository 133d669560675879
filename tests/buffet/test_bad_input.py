"""What a user gets wrong, through the command line: one message, exit code 1, nothing on stdout."""
# ruff: noqa: E501  # one case a line reads as the table it is

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from buffet.analysis import Failure
from buffet.terminal import findings_text
from tests.buffet.campaigns import (
    CAMPAIGN,
    PlantedRun,
    band_noise,
    changed,
    lift_run,
    run_buffet,
    two_configurations,
    write_runs,
    write_sheet,
)
from tests.ingest.campaigns import toml

SPEED = ("--speed", "130 km/h")
SECONDS = 8.0  # enough to be read; nothing is judged here


@pytest.fixture
def campaign(tmp_path: Path) -> Path:
    """A sound campaign to break."""
    return two_configurations(tmp_path / "campaign", SECONDS)


def refused(result: Result, *texts: str, code: int = 1) -> None:
    """One readable message with all these texts, and nothing on stdout."""
    assert result.exit_code == code, result.output
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    assert result.stderr.count("Error:") == 1
    for text in texts:
        assert text in result.stderr


SHEET_FAULTS: list[tuple[str, tuple[str, ...], Any, str]] = [
    ("unknown key", ("run", "configuratoin"), "x", "runs/2.toml: run.configuratoin: unknown key; did you mean 'configuration'?"),
    ("wrong unit", ("air", "speed"), "40 m", "runs/2.toml: air.speed: got '40 m'; wanted a speed such as '40 m/s'"),
    ("outside the folder", ("run", "recording"), "../../x.csv", "runs/2.toml: run.recording: must stay inside the campaign folder, got '../../x.csv'"),
    ("zero run missing", ("run", "zero_before"), "77", "runs/2.toml: run.zero_before: no run '77'; known are 0"),
    ("one number twice", ("run", "number"), "1", "runs/2.toml: run.number: '1' is already used in runs/1.toml"),
    ("speed of zero", ("air", "speed"), "0 m/s", "runs/2.toml: air.speed: must be above zero on a wind-on run, got '0 m/s'"),
    ("no wind", ("air",), None, "runs/2.toml: air: coefficients need the wind: state speed or dynamic_pressure"),
]  # fmt: skip


@pytest.mark.parametrize("command", ["check", "spectra", "rate"])
@pytest.mark.parametrize("case", SHEET_FAULTS, ids=lambda case: case[0])
def test_sheet_at_fault(case: tuple[Any, ...], command: str, campaign: Path) -> None:
    """Every command says what is wrong in which sheet before it reads a recording."""
    _, place, value, text = case
    write_sheet(campaign, "2", changed(lift_run("2", 0.01, "spoiler", 0.1).sheet(), place, value))

    refused(run_buffet(command, campaign, *(SPEED if command == "rate" else ())), text)


def test_all_faults_at_once(campaign: Path) -> None:
    """Faults of several sheets make one message with a line each."""
    (campaign / "runs" / "1.toml").write_text("format = 1\n[run\n")
    write_sheet(campaign, "2", changed(lift_run("2", 0.01).sheet(), ("air", "speed"), "fast"))

    refused(
        run_buffet("spectra", campaign),
        f"2 faults in the sheets of {campaign}:",
        "runs/1.toml: is not valid TOML",
        "runs/2.toml: air.speed: got 'fast'",
    )


def test_no_campaign(tmp_path: Path) -> None:
    """A folder that is none says what a campaign is and how to get an example."""
    for command in ("check", "spectra"):
        refused(
            run_buffet(command, tmp_path),
            f"no campaign.toml in {tmp_path}; a campaign is a folder with campaign.toml",
            "`buffet demo FOLDER` writes an example",
        )


def test_baseline_that_no_run_has(campaign: Path) -> None:
    """The nearest configuration is named."""
    sheet = changed(CAMPAIGN, ("campaign", "baseline"), "bear")
    (campaign / "campaign.toml").write_text(toml(sheet))

    refused(
        run_buffet("compare", campaign, *SPEED),
        "campaign.baseline: no wind-on run has the configuration 'bear'; did you mean 'bare'?",
    )


@pytest.mark.parametrize("command", ["rate", "compare", "report", "table"])
def test_no_model(command: str, campaign: Path) -> None:
    """Nothing is carried to the road without the model's lengths, and no recording is read."""
    (campaign / "campaign.toml").write_text(toml(changed(CAMPAIGN, ("model",), None)))
    (campaign / "runs" / "1.csv").unlink()
    (campaign / "runs" / "1.csv").mkdir()  # reading it would be another error
    write_sheet(campaign, "1", changed(lift_run("1", 0.01).sheet(), ("run", "recording"), "2.csv"))

    refused(
        run_buffet(command, campaign, *(() if command == "table" else SPEED)),
        f"{campaign / 'campaign.toml'}: no [model] is stated",
        "state scale, frontal_area, wheelbase and strouhal_length there",
    )


def test_no_baseline_to_compare_with(campaign: Path) -> None:
    """Rating goes without a baseline, comparing does not."""
    sheet = changed(CAMPAIGN, ("campaign", "baseline"), None)
    (campaign / "campaign.toml").write_text(toml(sheet))

    refused(
        run_buffet("compare", campaign, *SPEED),
        f"{campaign / 'campaign.toml'}: no baseline is stated, so there is nothing to compare with",
        "state [campaign] baseline",
    )
    assert run_buffet("rate", campaign, *SPEED, "--up-to", "30 km/h").exit_code == 0


def test_no_wind_on_run(tmp_path: Path) -> None:
    """A campaign of zeros has nothing to rate."""
    sheet = changed(CAMPAIGN, ("campaign", "baseline"), None)
    folder = write_runs(tmp_path / "c", [lift_run("1", 0.01, "", SECONDS)], sheet)
    off = changed(lift_run("1", 0.01).sheet(), ("air",), None)
    off = changed(off, ("run", "configuration"), None)
    write_sheet(folder, "1", changed(off, ("run", "kind"), "wind-off"))

    refused(
        run_buffet("rate", folder, *SPEED),
        "there is no wind-on run, so there is nothing to rate",
        'state kind = "wind-on"',
    )


def test_unknown_run(campaign: Path) -> None:
    """The runs there are are named."""
    refused(run_buffet("spectra", campaign, "--run", "7"), "has no run '7'; known are 0, 1, 2")


@pytest.mark.parametrize(
    ("seconds", "possible"),
    [(8.0, "0.25"), (7.8, "0.26"), (6.7, "0.3")],  # 2 / seconds, rounded up
)
def test_record_too_short_for_the_resolution(seconds: float, possible: str, tmp_path: Path) -> None:
    """Three half-overlapped segments last twice one segment; what is named then works."""
    folder = two_configurations(tmp_path / "c", seconds)
    refused(
        run_buffet("spectra", folder, "--run", "1", "--resolution", "0.01 Hz"),
        "run 1: a resolution of 0.01 Hz needs segments of 100 s and a record of 200 s",
        f"this one has {seconds:g} s: use {possible} Hz or coarser, or a longer run",
    )
    result = run_buffet("spectra", folder, "--run", "1", "--resolution", f"{possible} Hz")
    assert result.exit_code == 0, result.output


def test_resolution_too_coarse_for_the_rate(tmp_path: Path) -> None:
    """Segments of a few samples: the finest that can be had is named, and works."""
    folder = two_configurations(tmp_path / "c")
    refused(
        run_buffet("spectra", folder, "--resolution", "100 Hz"),
        "run 0: a resolution of 100 Hz leaves segments of 2.5 samples at 250 Hz, and 8 are needed",
        "use 31 Hz or finer",
    )
    assert run_buffet("spectra", folder, "--resolution", "31 Hz").exit_code == 0


def test_short_zero_does_not_forbid_a_fine_resolution(tmp_path: Path) -> None:
    """The 20 s without wind need not hold three segments of 25 s; the 60 s with wind do."""
    folder = two_configurations(tmp_path / "c")
    result = run_buffet("spectra", folder, "--run", "1", "--resolution", "0.04 Hz", "--json")
    (run,) = json.loads(result.stdout)["runs"]

    assert run["segment_s"] == pytest.approx(25, rel=0.01)
    assert run["channels"][0]["noise_rms"] == pytest.approx(0.0005, rel=0.2)


USAGE: list[tuple[str, tuple[str, ...], str]] = [
    ("rate", ("--speed", "0 km/h"), "got '0 km/h'; wanted more than zero"),
    ("rate", ("--speed", "-5 m/s"), "got '-5 m/s'; wanted more than zero"),
    ("rate", ("--speed", "130"), "got '130'; wanted a speed with its unit, for example \"130 km/h\""),
    ("rate", ("--speed", "fast"), "got 'fast'; wanted a speed with its unit"),
    ("rate", ("--speed", "130 kg"), "got '130 kg'; wanted a speed with its unit"),
    ("rate", ("--speed", "3000 km/h"), "got '3000 km/h'; wanted at most 500 km/h"),
    ("rate", (), "Missing option '--speed'"),
    ("rate", (*SPEED, "--up-to", "20 km/h"), "got '20 km/h'; wanted at least 30 km/h"),
    ("rate", (*SPEED, "--fail-on", "unlikely"), "'unlikely' is not one of 'possible', 'likely'"),
    ("rate", (*SPEED, "-o", "x.docx"), "cannot write .docx here; wanted one of .json, .csv, .parquet"),
    ("rate", (*SPEED, "-o", "x"), "cannot write a file without suffix here"),
    ("report", (*SPEED, "-o", "x.json"), "cannot write .json here; wanted one of .html"),
    ("spectra", ("--resolution", "1 m"), "got '1 m'; wanted a frequency with its unit, for example \"0.5 Hz\""),
]  # fmt: skip


@pytest.mark.parametrize(("command", "options", "text"), USAGE, ids=lambda value: str(value)[:40])
def test_wrong_usage(command: str, options: tuple[str, ...], text: str, tmp_path: Path) -> None:
    """Options are judged before the campaign is looked at; exit code 2."""
    refused(run_buffet(command, tmp_path, *options), text, code=2)


def lines(change: Callable[[list[str]], list[str]]) -> Callable[[Path], None]:
    """A change of a recording's lines."""

    def apply(path: Path) -> None:
        path.write_text("\n".join(change(path.read_text().splitlines())) + "\n")

    return apply


def emptied(path: Path) -> None:
    """A file that the logger opened and never wrote."""
    path.write_bytes(b"")


def gzipped_and_cut(path: Path) -> None:
    """A compressed recording that ends too soon, under its old name."""
    path.write_bytes(gzip.compress(path.read_bytes())[:5000])


def without_values(column: int) -> Callable[[list[str]], list[str]]:
    """A column that never had a sample."""

    def without(text: list[str]) -> list[str]:
        rows = [row.split(",") for row in text[1:]]
        return [text[0]] + [
            ",".join("NaN" if i == column else cell for i, cell in enumerate(row)) for row in rows
        ]

    return without


DAMAGED: list[tuple[str, Callable[[Path], None], str]] = [
    ("missing column", lines(lambda t: [t[0].replace("lift", "fz"), *t[1:]]), "2.csv, column 'lift': the recording has no column of this name; the columns are"),
    ("empty", emptied, "2.csv: the file is empty; check that the logger has saved it"),
    ("no samples", lines(lambda t: t[:1]), "2.csv: there are no samples"),
    ("ragged", lines(lambda t: [*t[:99], "1,2", *t[100:]]), "2.csv, line 100: 2 fields, expected 3"),
    ("text", lines(lambda t: [*t[:99], "1,two,3", *t[100:]]), "2.csv, line 100, column 'lift': 'two' is no number"),
    ("all NaN", lines(without_values(1)), "2.csv, column 'lift': every sample is missing (2000 of 2000)"),
    ("cut gzip", gzipped_and_cut, "2.csv"),
    ("three samples", lines(lambda t: t[:4]), "the recording has 3 samples"),
]  # fmt: skip


@pytest.mark.parametrize("case", DAMAGED, ids=lambda case: case[0])
def test_damaged_recording(case: tuple[str, Callable[[Path], None], str], campaign: Path) -> None:
    """The damaged run goes to `failed`, the others finish, and the exit code is 1."""
    _, damage, text = case
    damage(campaign / "runs" / "2.csv")
    result = run_buffet("spectra", campaign, "--json")
    document = json.loads(result.stdout)

    assert result.exit_code == 1
    assert [run["run"] for run in document["runs"]] == ["0", "1"]
    assert [failure["run"] for failure in document["failed"]] == ["2"]
    assert text in document["failed"][0]["error"]
    assert f"run 2 left out: {document['failed'][0]['error']}" in result.stderr
    assert "Traceback" not in result.stderr


def test_rating_goes_on_without_a_damaged_run(campaign: Path) -> None:
    """The configuration that is left is rated; the exit code says that one is missing."""
    (campaign / "runs" / "2.csv").write_text("")
    result = run_buffet("rate", campaign, *SPEED, "--up-to", "30 km/h", "--json")
    document = json.loads(result.stdout)

    assert result.exit_code == 1
    assert [one["name"] for one in document["configurations"]] == ["bare"]
    assert [failure["run"] for failure in document["failed"]] == ["2"]


def test_nothing_left_to_rate(campaign: Path) -> None:
    """Where no run can be read, each run's own fault is told."""
    for number in "12":
        (campaign / "runs" / f"{number}.csv").write_text("")

    refused(
        run_buffet("rate", campaign, *SPEED),
        "no wind-on run could be read, so there is nothing to rate",
        f"run 1: {campaign / 'runs' / '1.csv'}: the file is empty",
        f"run 2: {campaign / 'runs' / '2.csv'}: the file is empty",
    )


def test_baseline_that_cannot_be_read(campaign: Path) -> None:
    """Without the baseline's runs there is no comparison, and the reason is told."""
    (campaign / "runs" / "1.csv").write_text("")

    refused(
        run_buffet("compare", campaign, *SPEED),
        "no run of the baseline 'bare' could be read",
        "1.csv: the file is empty",
    )


def test_check_does_not_call_an_unread_campaign_sound(campaign: Path) -> None:
    """No findings of a run that could not be read means nothing."""
    (campaign / "runs" / "2.csv").write_text("")
    result = run_buffet("check", campaign)

    assert result.exit_code == 1
    assert "No findings" not in result.stdout
    assert "2.csv: the file is empty" in result.stderr
    nothing = findings_text((), (Failure("2", "the file is empty"),))
    assert nothing == "No findings in the runs that could be read."


def test_dead_channel_is_found(campaign: Path) -> None:
    """A constant channel is an error of `check`, with what to look for."""
    still(campaign / "runs" / "2.csv")
    result = run_buffet("check", campaign)

    assert result.exit_code == 1
    assert "error: run 2, lift: all 2000 samples are 0.25 [constant]" in result.stdout


def still(path: Path) -> None:
    """A lift channel that stands at 0.25."""
    text = path.read_text().splitlines()
    rows = [row.split(",") for row in text[1:]]
    path.write_text("\n".join([text[0]] + [f"{a},0.25,{c}" for a, _, c in rows]) + "\n")


def test_dead_lift_is_not_a_quiet_car(campaign: Path) -> None:
    """A car whose lift channel never changed cannot be rated, and its sentence says why."""
    still(campaign / "runs" / "2.csv")
    result = run_buffet("rate", campaign, *SPEED, "--up-to", "30 km/h", "--json")
    spoiler = {c["name"]: c for c in json.loads(result.stdout)["configurations"]}["spoiler"]

    assert spoiler["verdict"] == "undetermined"
    assert "lift was not measured, or a channel behind it never changed, in run 2" in spoiler["why"]
    for row in spoiler["criteria"]:
        assert row["metric"] is None
        wanted = "no channel measures" if row["id"] == "cabin" else "never changed"
        assert wanted in row["why"]


def test_a_record_without_a_usable_bin(tmp_path: Path) -> None:
    """A balance of 0.1 Hz leaves nothing of 8 s: told for that run, without a numpy warning."""
    soft = {"natural_frequency": "0.1 Hz"}
    run = PlantedRun("1", {"lift": band_noise(1, 0.03, 8.0)}, channel=soft)
    folder = write_runs(tmp_path / "c", [run])

    result = run_buffet("spectra", folder, "--json")

    assert result.exit_code == 1
    (failure,) = json.loads(result.stdout)["failed"]
    assert "have no bin below the 0.08 Hz that filter and rig leave" in failure["error"]
