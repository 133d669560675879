"""Run sheets are checked while they are typed, quickly and without opening a file."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from buffet.service.intake.errors import TooLargeError
from buffet.service.intake.sheet_check import check_sheet
from ingest import SheetError, open_campaign
from tests.ingest.campaigns import run_sheet, three_runs, toml, write_campaign
from tests.ingest.fault_cases import RUN_FAULTS

DEMO = Path(__file__).parents[4] / "demo_runs"
KNOWN = {"runs/014.csv", "recordings/015.csv.gz"}


def told(text: str, **more: Any) -> list[str]:
    """Faults as text."""
    return [str(fault) for fault in check_sheet(text, **more)]


def test_a_good_sheet_has_no_faults() -> None:
    """Its zeros are none of this check's business; the demo's and a made one."""
    text = (DEMO / "runs" / "015.toml").read_text(encoding="utf-8")

    assert told(text) == []
    assert told(text, beside=KNOWN) == []
    assert told(toml(run_sheet("014", zero_after="016")), beside=KNOWN) == []


@pytest.mark.parametrize(
    ("place", "value"), [case[1:3] for case in RUN_FAULTS], ids=[case[0] for case in RUN_FAULTS]
)
def test_the_check_finds_what_opening_the_campaign_finds(
    tmp_path: Path, place: tuple[str | int, ...], value: Any
) -> None:
    """Each fault that ingest's own tests plant, in the same words, but for files and zeros."""
    runs = three_runs()
    inner: Any = runs["014"]
    for part in place[:-1]:
        inner = inner[part]
    if value is None:
        del inner[place[-1]]
    else:
        inner[place[-1]] = value
    folder = write_campaign(tmp_path, runs)
    with pytest.raises(SheetError) as caught:
        open_campaign(folder)
    wanted = {str(fault) for fault in caught.value.faults if not _needs_others(fault)}

    found = set(told(toml(runs["014"]), name="runs/014.toml"))

    assert {fault for fault in found if not _needs_others_text(fault)} == wanted


def _needs_others(fault: Any) -> bool:
    """Faults that hang on files, other sheets or the model."""
    return _needs_others_text(str(fault))


def _needs_others_text(fault: str) -> bool:
    keys = ("run.recording", "run.zero_", "tubing.response", "balance", "started: has no time")
    return any(key in fault for key in keys) or "coefficients need the wind" in fault


@pytest.mark.parametrize(
    ("recording", "fault"),
    [
        ("../../etc/passwd", "leaves the campaign folder; keep it inside"),
        ("/etc/passwd", "is absolute; name it relative to its sheet"),
        ("a\0b", "U+0000"),
        ("..\\\\x.csv", "holds a backslash"),
        ("015.csv", "names 'runs/015.csv', which is not among the files known; did you mean 'runs"),
        ("zzzz", "not among the files known; send it with the sheet"),
    ],
)
def test_paths_are_judged_as_names(recording: str, fault: str) -> None:
    """Whether such a file is there is not looked at."""
    sheet = run_sheet("014", recording=["014.csv", recording.replace("\\\\", "\\")])

    (found,) = told(toml(sheet), beside=KNOWN)

    assert found.startswith("runs/sheet.toml: run.recording[1]: ")
    assert fault in found


def test_every_path_of_a_sheet_is_judged() -> None:
    """Of tubes and balances, too, even where the rest is at fault."""
    sheet = run_sheet("014", recording="/a")
    sheet["channel"][1]["tubing"] = {"response": "/b"}
    sheet |= {"balance": {"file": "/c"}, "air": {"speed": "40 m"}}

    keys = [fault.key for fault in check_sheet(toml(sheet))]

    assert sorted(keys) == [
        "air.speed",
        "balance.file",
        "channel[1].tubing.response",
        "run.recording",
    ]


def test_no_file_is_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once its modules are loaded."""
    text = toml(run_sheet("014"))
    check_sheet(text)

    def refuse(*_: Any, **__: Any) -> None:
        raise AssertionError("a file was opened")

    monkeypatch.setattr("builtins.open", refuse)
    monkeypatch.setattr("os.stat", refuse)
    monkeypatch.setattr("pathlib.Path.resolve", refuse)

    assert check_sheet(text) == ()


@pytest.mark.parametrize(
    "text",
    [
        "format = 1\n[run\n",
        "a = " + "[" * 50_000,
        "a." * 60_000 + "b = 1",
        '"a" . ' * 20_000 + "b = 1",
        "a = " + "9" * 100_000,
        "'" * 100_000,
        "[[channel]]\n" * 8_000,
        "\n".join(f"key{number} = {number}" for number in range(8_000)),
    ],
)
def test_hostile_text_is_answered_soon(text: str) -> None:
    """Parsers that take time by the square of a key's parts are not asked."""
    begun = time.process_time()

    faults = check_sheet(text)

    assert faults
    assert time.process_time() - begun < 3.0  # minutes without the bounds


def test_ten_thousand_names_that_are_not_there_are_answered_soon() -> None:
    """Each is a fault; what they may have meant is looked for a few times."""
    names = ", ".join(f'"recording{number:05}.csv"' for number in range(2000))
    known = {f"runs/rec-{number:05}.csv" for number in range(2000)}
    begun = time.process_time()

    faults = check_sheet(f"format = 1\n[run]\nrecording = [{names}]\n", known)

    missing = [fault for fault in faults if "not among the files known" in fault.problem]
    assert len(missing) == 2000
    assert "did you mean 'runs/rec-" in missing[0].problem
    assert time.process_time() - begun < 3.0  # minutes without a bound


def test_a_text_longer_than_sheets_is_not_looked_at() -> None:
    """It may still be sent as a file."""
    with pytest.raises(TooLargeError, match="the sheet has 300 KiB, more than the 256 KiB"):
        check_sheet("#" * 300 * 1024)
