"""A campaign is read while its tunnel still runs: what waits is told, what is wrong is refused."""

from __future__ import annotations

import copy
import shutil
from datetime import datetime
from pathlib import Path

import pytest

from ingest import SheetError, open_campaign
from tests.ingest.campaigns import CAMPAIGN, run_sheet, three_runs, write_campaign

DEMO = Path(__file__).parents[2] / "demo_runs"


def test_a_run_waits_for_its_zero(tmp_path: Path) -> None:
    """Run 014 names the zero 016, which has not been run."""
    runs = three_runs()
    del runs["016"]
    runs["013"] = run_sheet("013", started=datetime.fromisoformat("2026-03-02T10:05Z"))

    campaign = open_campaign(write_campaign(tmp_path, runs), unfinished=True)

    assert [run.number for run in campaign.runs] == ["012", "013"]
    assert [run.number for run in campaign.waiting_runs] == ["014"]
    assert [str(fault) for fault in campaign.waiting] == [
        "runs/014.toml: run.zero_after: no run '016'; did you mean '012'?"
    ]
    assert campaign.baseline == "bare tailgate"
    assert "runs/014.toml" in {file.name for file in campaign.files}


def test_the_same_is_an_error_once_the_campaign_is_finished(tmp_path: Path) -> None:
    """Nothing changes for who does not ask."""
    runs = three_runs()
    del runs["016"]

    with pytest.raises(SheetError, match="no run '016'"):
        open_campaign(write_campaign(tmp_path, runs))


def test_who_waits_for_a_waiting_run_waits_too(tmp_path: Path) -> None:
    """Run 012, the zero of 014, waits for 011; the baseline has no other run than 014."""
    runs = three_runs()
    runs["012"]["run"]["zero_before"] = "011"

    campaign = open_campaign(write_campaign(tmp_path, runs), unfinished=True)

    assert [run.number for run in campaign.runs] == ["016"]
    assert [run.number for run in campaign.waiting_runs] == ["012", "014"]
    assert [str(fault) for fault in campaign.waiting] == [
        "runs/012.toml: run.zero_before: no run '011'; did you mean '016'?",
        "runs/014.toml: run.zero_before: run '012' waits for another run itself",
        "campaign.toml: campaign.baseline: no run of the configuration 'bare tailgate' yet",
    ]
    assert campaign.baseline is None
    assert campaign.configurations == ()


def test_a_baseline_without_a_run_is_none_yet(tmp_path: Path) -> None:
    """The spoiler was run first."""
    sheet = copy.deepcopy(CAMPAIGN)
    sheet["campaign"]["baseline"] = "original"

    campaign = open_campaign(write_campaign(tmp_path, campaign=sheet), unfinished=True)

    assert campaign.baseline is None
    assert campaign.configurations == ("bare tailgate",)
    assert len(campaign.runs) == 3
    assert [fault.key for fault in campaign.waiting] == ["campaign.baseline"]


def test_a_campaign_may_have_no_run_yet(tmp_path: Path) -> None:
    """Only campaign.toml and the vehicle are there."""
    campaign = open_campaign(write_campaign(tmp_path, {}), unfinished=True)

    assert campaign.runs == ()
    assert [fault.file for fault in campaign.waiting] == ["runs", "campaign.toml"]


def test_other_faults_are_raised_and_they_alone(tmp_path: Path) -> None:
    """A missing recording does not wait, nor does a number used twice."""
    runs = three_runs() | {"017": run_sheet("016", "wind-off")}
    runs["014"]["run"]["zero_after"] = "018"
    folder = write_campaign(tmp_path, runs)
    (folder / "runs" / "014.csv").unlink()

    with pytest.raises(SheetError) as caught:
        open_campaign(folder, unfinished=True)

    assert [str(fault) for fault in caught.value.faults] == [
        "runs/014.toml: run.recording: names a file that does not exist: '014.csv'",
        "runs/017.toml: run.number: '016' is already used in runs/016.toml",
    ]


def test_a_zero_that_has_wind_does_not_wait(tmp_path: Path) -> None:
    """It is there, and wrong."""
    runs = three_runs() | {"017": run_sheet("017", zero_after="014")}

    with pytest.raises(SheetError, match="run '014' is not a wind-off run"):
        open_campaign(write_campaign(tmp_path, runs), unfinished=True)


@pytest.mark.parametrize("last", range(1, 33, 6))
def test_every_state_of_a_day_in_the_tunnel_can_be_read(tmp_path: Path, last: int) -> None:
    """The demo campaign after each of its runs: each is there at once or waits, none is lost."""
    folder = tmp_path / "campaign"
    keep = {f"{number:03}" for number in range(1, last + 1)}
    shutil.copytree(
        DEMO,
        folder,
        ignore=lambda _, names: [n for n in names if n[:3].isdigit() and n[:3] not in keep],
    )

    campaign = open_campaign(folder, unfinished=True)

    both = [*campaign.runs, *campaign.waiting_runs]
    assert sorted(run.number for run in both) == sorted(keep)
    there = {run.number for run in campaign.runs}
    assert all({run.zero_before, run.zero_after} - {None} <= there for run in campaign.runs)


def test_a_finished_campaign_is_the_same_either_way() -> None:
    """Nothing waits in the demo."""
    assert open_campaign(DEMO, unfinished=True) == open_campaign(DEMO)
