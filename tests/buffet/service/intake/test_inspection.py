"""A campaign laid out in a folder is inspected in a child: what it is, and what is wrong."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from buffet.service.intake import inspection
from buffet.service.intake.children import ChildLimits, ChildMemoryError
from buffet.service.intake.errors import SheetFaultsError
from buffet.service.intake.inspection import Inspection, RunFound, inspect, inspect_limited
from tests.ingest.campaigns import CAMPAIGN, run_sheet, three_runs, toml, write_campaign

DEMO = Path(__file__).parents[4] / "demo_runs"


def test_the_demo_campaign_is_sound() -> None:
    """Titles, runs and files, as its sheets have them; truth.json is no part of it."""
    found = inspect_limited(DEMO)

    assert found.title == "Hatchback tailgate add-ons, 30 % model (invented)"
    assert found.baseline == "bare tailgate"
    assert found.configurations == ("bare tailgate", "long spoiler", "wing", "shallow tail")
    assert [run.number for run in found.runs] == [f"{number:03}" for number in range(1, 33)]
    assert found.runs[14] == RunFound(
        number="015",
        kind="wind-on",
        configuration="long spoiler",
        started=datetime(2026, 3, 2, 10, 1, tzinfo=UTC),
        sheet="runs/015.toml",
        recordings=("recordings/015.csv.gz",),
        recording_bytes=(DEMO / "recordings" / "015.csv.gz").stat().st_size,
        speed_m_s=49.91,
        waits=False,
    )
    everything = {p.relative_to(DEMO).as_posix() for p in DEMO.rglob("*") if p.is_file()}
    assert {*found.files, *found.left_out} == everything
    assert found.left_out == ("truth.json",)
    assert (found.faults, found.waiting) == ((), ())
    found.require_sound()


def test_a_run_that_waits_keeps_its_files(tmp_path: Path) -> None:
    """Its recording is no left-over while its zero is not there yet."""
    runs = three_runs()
    del runs["016"]
    folder = write_campaign(tmp_path, runs)
    (folder / "notes <b>.txt").write_text("x")

    found = inspect(folder)

    assert [(run.number, run.waits) for run in found.runs] == [("012", False), ("014", True)]
    assert {"runs/014.toml", "runs/014.csv"} <= set(found.files)
    assert found.left_out == ("notes <b>.txt",)
    assert found.baseline is None
    assert [fault.key for fault in found.waiting] == ["run.zero_after", "campaign.baseline"]
    found.require_sound()


def test_runs_come_by_number_and_those_that_wait_among_them(tmp_path: Path) -> None:
    """9 before 10."""
    runs = {number: run_sheet(number, "wind-off") for number in ("8", "9", "10")}
    runs["9"]["run"]["zero_after"] = "11"

    found = inspect(write_campaign(tmp_path, runs))

    assert [(run.number, run.waits) for run in found.runs] == [
        ("8", False),
        ("9", True),
        ("10", False),
    ]


def test_sheets_with_faults_are_told_with_all_of_them(tmp_path: Path) -> None:
    """By file, key and problem; what does not wait only."""
    runs = three_runs()
    runs["014"]["air"]["speed"] = "40 m"
    runs["012"]["sampling"]["rat"] = 3
    runs["016"]["run"]["zero_after"] = "018"

    found = inspect(write_campaign(tmp_path, runs))

    assert [(fault.file, fault.key) for fault in found.faults] == [
        ("runs/012.toml", "sampling.rat"),
        ("runs/014.toml", "air.speed"),
    ]
    assert (found.title, found.runs, found.files) == (None, (), ())
    with pytest.raises(SheetFaultsError, match=r"2 faults:\n  runs/012\.toml: sampling") as caught:
        found.require_sound()
    assert (caught.value.status, caught.value.kind) == (422, "sheet-faults")
    assert caught.value.faults == found.faults


def test_a_folder_without_a_campaign_says_what_one_is(tmp_path: Path) -> None:
    """And not where it is laid out."""
    (fault,) = inspect(tmp_path).faults

    assert str(fault) == (
        "campaign.toml: is missing; a campaign is a folder with campaign.toml and runs/*.toml"
    )


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"", "the file is empty"),
        (b"\x00\x01\x02\x03" * 100, "no reader knows this content"),
        (b"\x1f\x8b\x08\x00" + bytes(30), "damaged"),
        (b"t,other\n1,2\n2,3\n", "bal_fz"),
    ],
)
def test_a_recording_that_does_not_open_is_a_fault_of_its_sheet(
    tmp_path: Path, content: bytes, problem: str
) -> None:
    """With the recording's name in the campaign, and not the folder of the inspection."""
    folder = write_campaign(tmp_path)
    (folder / "runs" / "014.csv").write_bytes(content)

    (fault,) = inspect(folder).faults

    assert (fault.file, fault.key) == ("runs/014.toml", "run.recording")
    assert fault.problem.startswith("runs/014.csv: ")
    assert problem in fault.problem
    assert str(tmp_path) not in fault.problem


def test_an_inspection_that_breaks_a_limit_says_at_which_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last one that it began to read."""
    folder = write_campaign(tmp_path)
    monkeypatch.setattr(inspection, "_inspected", _hungry)

    with pytest.raises(
        ChildMemoryError, match=r"^'runs/014.csv' could not be read: it needed more than 2 GiB"
    ):
        inspect_limited(folder, ChildLimits())


def _hungry(folder: str) -> Any:
    import sys

    print(f"reading 'runs/012.csv'\nreading {'runs/014.csv'!r}", file=sys.stderr, flush=True)
    return len(bytearray(8 << 30))


def test_an_inspection_survives_json(tmp_path: Path) -> None:
    """Whole and with faults."""
    (tmp_path / "a").mkdir()
    runs = three_runs()
    del runs["016"], runs["012"]["run"]["started"]
    for folder in (write_campaign(tmp_path / "a", runs), tmp_path):
        found = inspect(folder)

        assert Inspection.from_dict(json.loads(json.dumps(found.as_dict()))) == found


def plain(tmp_path: Path) -> Any:
    """A good one, as JSON carries it."""
    return json.loads(json.dumps(inspect(write_campaign(tmp_path)).as_dict()))


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("title",), 1),
        (("baseline",), []),
        (("configurations",), ["a", 1]),
        (("runs",), {}),
        (("runs", 0), 3),
        (("runs", 0, "number"), None),
        (("runs", 0, "kind"), "storm"),
        (("runs", 0, "started"), "yesterday"),
        (("runs", 0, "started"), "2026-03-02T10:00:00"),
        (("runs", 0, "recordings"), "a.csv"),
        (("runs", 0, "recording_bytes"), -1),
        (("runs", 0, "recording_bytes"), True),
        (("runs", 0, "speed_m_s"), float("inf")),
        (("runs", 0, "waits"), 1),
        (("runs", 0, "more"), 1),
        (("faults",), [{"file": "a", "key": "b"}]),
        (("more",), 1),
    ],
)
def test_what_is_no_inspection_is_refused(
    tmp_path: Path, place: tuple[str | int, ...], value: Any
) -> None:
    """A child that was taken over says what it likes."""
    table = plain(tmp_path)
    inner = table
    for part in place[:-1]:
        inner = inner[part]
    inner[place[-1]] = value

    with pytest.raises(ValueError, match=r"wanted|holds|Invalid isoformat"):
        Inspection.from_dict(table)


def test_nothing_outside_the_folder_is_read(tmp_path: Path) -> None:
    """A sheet that names a file elsewhere, and a campaign of a thousand faults."""
    (tmp_path / "secret.csv").write_text("bal_fz,p07\n1,2\n")
    runs = three_runs()
    runs["014"]["run"]["recording"] = "../../secret.csv"
    folder = write_campaign(tmp_path / "campaign", runs)

    (fault,) = inspect(folder).faults

    assert "must stay inside the campaign folder" in fault.problem


def test_a_sheet_that_is_none_does_not_take_long(tmp_path: Path) -> None:
    """A million keys: some are told, and how many more there are."""
    folder = write_campaign(tmp_path)
    (folder / "campaign.toml").write_text(
        toml(CAMPAIGN) + "\n" + "\n".join(f"k{number} = 1" for number in range(5000))
    )

    faults = inspect(folder).faults

    assert "has 4800 more faults; mend these first" in {fault.problem for fault in faults}
    shutil.rmtree(folder)
