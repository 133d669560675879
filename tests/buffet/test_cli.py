"""The command line: exit codes, what goes where, files by suffix, whole or not at all."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest

from buffet import writing
from buffet.cli import main
from buffet.errors import OutputError
from buffet.writing import row_writers, text_writer, write
from ingest import open_campaign
from tests.buffet.campaigns import (
    lift_run,
    run_buffet,
    two_configurations,
    write_runs,
    write_sheet,
)

SPEED = ("--speed", "130 km/h")
NO_RESULTS = ("report", "export", "demo", "schema", "token", "serve", "backup", "restore")
QUICK = ("--up-to", "30 km/h")
COMMANDS: dict[str, tuple[str, ...]] = {
    "check": (),
    "spectra": ("--run", "2"),
    "sweep": (),
    "rate": (*SPEED, *QUICK),
    "table": ("--to", "100 km/h", "--step", "40 km/h"),
    "compare": SPEED,
}


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car that is `possible` at 130 km/h and a spoiler that is `unlikely`."""
    return two_configurations(tmp_path_factory.mktemp("cli") / "campaign")


@pytest.mark.parametrize("command", COMMANDS)
def test_text_fits_eighty_columns(command: str, campaign: Path) -> None:
    """Exit code 0, readable on a terminal; no progress on stderr where nobody watches."""
    result = run_buffet(command, campaign, *COMMANDS[command])

    assert result.exit_code == 0, result.stderr
    assert all("see `buffet check`" in line for line in result.stderr.splitlines())
    assert max(map(len, result.stdout.splitlines())) <= 80


def test_rating_says_what_a_reader_must_know(campaign: Path) -> None:
    """Verdict, motion, speed, criterion, Reynolds numbers, car, criteria, and the cautions."""
    text = " ".join(run_buffet("rate", campaign, *SPEED, *QUICK).stdout.split())

    for part in (
        "May be felt at 130 km/h: vertical motion at the seat",
        "vertical-over-road",
        "Model Reynolds number",
        "Reynolds number on the road",
        "typical small hatchback",
        "criteria.toml",
        "Do not go looking for buffeting on public roads",
        "it does not judge stability",
        "The model is held rigid",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("fail_on", "code"), [(None, 0), ("likely", 0), ("possible", 3)], ids=["none", "likely", "any"]
)
def test_fail_on(fail_on: str | None, code: int, campaign: Path) -> None:
    """The worst verdict is `possible`: flagged with 3 only where that was asked for."""
    options = () if fail_on is None else ("--fail-on", fail_on)
    result = run_buffet("rate", campaign, *SPEED, *QUICK, *options, "--json")
    verdicts = [one["verdict"] for one in json.loads(result.stdout)["configurations"]]

    assert verdicts == ["possible", "unlikely"]
    assert result.exit_code == code


def test_likely_is_flagged_by_both(tmp_path: Path) -> None:
    """A lift RMS of 0.12, four times as much, is `likely`."""
    folder = write_runs(tmp_path / "c", [lift_run("1", 0.12)])
    for fail_on in ("likely", "possible"):
        result = run_buffet("rate", folder, *SPEED, *QUICK, "--fail-on", fail_on)
        assert result.exit_code == 3
        assert result.stdout.count("Likely to be felt") == 1


def test_check_fails_on_an_error_finding_only(tmp_path: Path) -> None:
    """A clipped record is an error; a record without a zero is told and passes."""
    folder = write_runs(tmp_path / "c", [lift_run("1", 0.03)])
    sheet = lift_run("1", 0.03).sheet()
    sheet["channel"][1] |= {"unit": "N", "full_scale": "1000 N"}
    write_sheet(folder, "1", sheet)
    sound = run_buffet("check", folder)
    sheet["channel"][1] |= {"full_scale": "0.11 N"}
    write_sheet(folder, "1", sheet)
    clipped = run_buffet("check", folder, "--json")
    findings = json.loads(clipped.stdout)["findings"]

    assert sound.exit_code == 0
    assert "[zero-none]" in sound.stdout
    assert clipped.exit_code == 1
    assert (findings[0]["severity"], findings[0]["code"]) == ("error", "clipped")
    assert run_buffet("rate", folder, *SPEED, *QUICK).exit_code == 0  # findings never stop it


def test_spectra_of_one_run(campaign: Path) -> None:
    """`--run` takes the sheet's number as text and gives that run alone."""
    document = json.loads(run_buffet("spectra", campaign, "--run", "2", "--json").stdout)

    assert [run["run"] for run in document["runs"]] == ["2"]


@pytest.mark.parametrize("command", ["spectra", "sweep", "rate", "compare", "resonance", "export"])
def test_no_result_is_written_over_a_recording(command: str, tmp_path: Path) -> None:
    """However the file is named: the recording stays as it was."""
    folder = write_runs(tmp_path / "c", [lift_run("1", 0.03, seconds=8)])
    (run,) = open_campaign(folder).runs
    recording = run.recordings[0].rename(run.recordings[0].with_suffix(".csv"))
    before = recording.read_bytes()
    sheet = run.sheet
    sheet.write_text(sheet.read_text().replace(run.recordings[0].name, recording.name))
    link = tmp_path / "result.csv"
    link.symlink_to(recording)
    options = ["--run", "1"] if command == "export" else list(COMMANDS.get(command, ()))
    for target in (recording, folder / "runs" / ".." / recording.relative_to(folder), link):
        result = run_buffet(command, folder, *options, "-o", target)

        assert result.exit_code == 1
        assert "is the recording of run 1, which would be lost" in result.stderr
        assert recording.read_bytes() == before


def test_zeros_in_front_of_a_number_count(tmp_path: Path) -> None:
    """Run "014" is not run "14"."""
    folder = write_runs(tmp_path / "c", [replace(lift_run("1", 0.03, seconds=8), number="014")])

    assert run_buffet("spectra", folder, "--run", "014").exit_code == 0
    assert "did you mean '014'?" in run_buffet("spectra", folder, "--run", "14").stderr


FILES = [
    *(("spectra", suffix) for suffix in (".json", ".csv", ".png", ".pdf")),
    *(("rate", suffix) for suffix in (".json", ".csv", ".parquet", ".png")),
    *(("table", suffix) for suffix in (".json", ".parquet")),
    *(("compare", suffix) for suffix in (".json", ".csv", ".svg")),
]
MAGIC = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF", ".parquet": b"PAR1"}


@pytest.mark.parametrize(("command", "suffix"), FILES)
def test_file_by_suffix(command: str, suffix: str, campaign: Path, tmp_path: Path) -> None:
    """A file of the right kind, and an empty stdout."""
    target = tmp_path / f"result{suffix.upper()}"  # either case will do
    result = run_buffet(command, campaign, *COMMANDS[command], "-o", target)

    assert result.exit_code == 0, result.stderr
    assert result.stdout == ""
    assert [path.name for path in tmp_path.iterdir()] == [target.name]
    if suffix == ".json":
        printed = run_buffet(command, campaign, *COMMANDS[command], "--json").stdout
        assert json.loads(target.read_text()) == json.loads(printed)
    elif suffix == ".csv":
        with target.open(newline="") as file:
            rows = list(csv.DictReader(file))
        assert {row.get("configuration", "") for row in rows} >= {"spoiler"}
    else:
        assert target.read_bytes().startswith(MAGIC[suffix])


def test_parquet_holds_what_csv_holds(campaign: Path, tmp_path: Path) -> None:
    """Same columns, same values."""
    pandas = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    for suffix in ("csv", "parquet"):
        run_buffet("table", campaign, *COMMANDS["table"], "-o", tmp_path / f"t.{suffix}")
    csv_table = pandas.read_csv(tmp_path / "t.csv")
    parquet = pandas.read_parquet(tmp_path / "t.parquet")

    assert list(csv_table.columns) == list(parquet.columns)
    assert parquet["speed_km_h"].tolist() == pytest.approx([60, 100] * 2)
    assert parquet["drag_n"].tolist() == pytest.approx(csv_table["drag_n"].tolist())


def test_result_in_a_folder_that_is_not_there(campaign: Path, tmp_path: Path) -> None:
    """The missing folder is named."""
    target = tmp_path / "nowhere" / "rating.json"
    result = run_buffet("rate", campaign, *SPEED, *QUICK, "-o", target)

    assert result.exit_code == 1
    assert f"there is no folder {target.parent}; make it first" in result.stderr


def test_existing_file_stays_when_a_writer_fails(tmp_path: Path) -> None:
    """A writer that dies half-way leaves the old file and no other."""
    target = tmp_path / "rating.json"
    target.write_text("old")

    def dies(path: Path) -> None:
        path.write_text("half")
        raise RuntimeError("out of paper")

    with pytest.raises(RuntimeError, match="out of paper"):
        write(target, {".json": dies})
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_full_disk_is_one_message(tmp_path: Path) -> None:
    """What the system says is passed on; nothing is left behind."""

    def full(path: Path) -> None:
        path.write_text("half")
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match=r"cannot be written \(No space left on device\)"):
        write(tmp_path / "rating.json", {".json": full})
    assert list(tmp_path.iterdir()) == []


def test_a_full_stdout_is_one_message() -> None:
    """Of the output, which this is."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "buffet", "schema"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )

    assert done.returncode == 1
    assert done.stderr == (
        "Error: the output cannot be written: [Errno 28] No space left on device\n"
    )


def test_a_system_s_refusal_is_no_output_s(campaign: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the system says before anything is written is told as it is."""
    refusal = Mock(side_effect=OSError(24, "Too many open files"))
    monkeypatch.setattr("buffet.opening.open_campaign", refusal)
    done = run_buffet("check", campaign)

    assert done.exit_code == 1
    assert done.stderr == "Error: [Errno 24] Too many open files\n"


def test_suffix_without_a_writer_is_refused(tmp_path: Path) -> None:
    """The choice is named."""
    with pytest.raises(OutputError, match=r"cannot write \.doc here; choose one of \.csv, \.json"):
        write(tmp_path / "x.doc", {".json": text_writer(""), ".csv": text_writer("")})


def test_written_file_has_the_usual_rights(tmp_path: Path) -> None:
    """As any file the user makes, not only readable by its owner."""
    mask = os.umask(0o022)
    try:
        write(tmp_path / "x.json", {".json": text_writer("{}")})
    finally:
        os.umask(mask)

    assert (tmp_path / "x.json").stat().st_mode & 0o777 == 0o644


def test_parquet_without_its_library_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The extra is named, and a way without it."""
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(OutputError, match=r"pip install 'buffeting\[formats\]', or write \.csv"):
        write(tmp_path / "x.parquet", row_writers([{"a": 1}]))
    assert writing.row_writers([]).keys() == {".csv", ".parquet"}


def test_report_prints_the_verdicts_too(campaign: Path, tmp_path: Path) -> None:
    """One HTML file; the verdict table and the recommendation on stdout."""
    target = tmp_path / "report.html"
    result = run_buffet(
        "report", campaign, *SPEED, "--up-to", "140 km/h", "--road", "B", "-o", target
    )

    assert result.exit_code == 0, result.stderr
    assert "verdict at 130 km/h" in result.stdout
    assert "Recommended:" in result.stdout
    assert f"report written to {target}" in result.stderr
    page = target.read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert "class B, G(n0) = 6.4e-05 m³, IRI 4.3 m/km (ISO 8608 class B); tracks" in page


def test_every_command_is_described() -> None:
    """One short line each; the options that rate are on all commands that rate."""
    help_text = run_buffet("--help").stdout
    for name, command in main.commands.items():
        assert name in help_text
        first = (command.help or "").splitlines()[0]
        assert 10 < len(first) < 70
        options: set[Any] = {option for p in command.params for option in p.opts}
        if name in ("rate", "table", "compare", "report"):
            assert {"--criteria", "--road", "-o"} <= options
        if name not in NO_RESULTS:
            assert "--json" in options


@pytest.mark.parametrize("code", [0, 1, 2])
def test_exit_codes_of_the_process(code: int, campaign: Path) -> None:
    """As a shell sees them, from a fresh interpreter."""
    arguments = {
        0: ["check", str(campaign)],
        1: ["check", str(campaign / "runs")],
        2: ["rate", str(campaign)],
    }
    done = subprocess.run(
        [sys.executable, "-m", "buffet", *arguments[code]], capture_output=True, text=True
    )

    assert done.returncode == code
    assert "Traceback" not in done.stderr
    assert bool(done.stdout) == (code == 0)


def test_terminal_without_the_signs_we_print(campaign: Path) -> None:
    """A Latin-1 terminal gets question marks for dots, not a traceback; JSON is the same to all."""
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1"}

    def output(*options: str) -> bytes:
        command = [sys.executable, "-m", "buffet", "rate", str(campaign), *SPEED, *QUICK]
        done = subprocess.run([*command, *options], capture_output=True, env=environment)
        assert done.returncode == 0, done.stderr
        return done.stdout

    text = output().decode("latin-1")
    assert "m/s² 0.0" in text
    assert "?" in text
    units = {row["unit"] for row in json.loads(output("--json"))["configurations"][0]["criteria"]}
    assert units == {"1", "m/s²", "%", "deg/s", "dB"}
