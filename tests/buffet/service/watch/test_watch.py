"""Runs come in as the logger finishes them: whole, once, and whatever is wrong with others."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from buffet.service import binning, catalogue, changes
from buffet.service.access.roles import LOCAL
from buffet.service.catalogue import Found, StoredFile
from buffet.service.database.engine import reading, writing
from buffet.service.errors import NotFoundError
from buffet.service.watch import copies
from buffet.service.watch import folder as folder_module
from ingest import file_digest
from tests.buffet.campaigns import write_sheet
from tests.buffet.service.watch.hall import Hall, bare, spoiler, zero

GOAL_S = 0.05  # of one look at a thousand runs of which none is new


def test_a_campaign_comes_in_run_by_run(either_hall: Hall) -> None:
    """And is analysed each time, without anybody asking; a restart finds nothing new."""
    hall = either_hall
    folder = hall.begin([zero("0")])
    hall.poll(0.0)
    assert hall.campaigns() == []
    hall.poll()
    assert (hall.numbers(), hall.jobs()) == (["0"], [("run", "0")])
    assert (hall.campaign().watched, hall.campaign().baseline) == ("a", None)

    hall.log(folder, bare("1"))
    hall.settle()
    assert (hall.numbers(), hall.jobs()) == (["0", "1"], [("board", None), ("run", "1")])
    hall.log(folder, spoiler("2"))
    hall.settle()
    assert hall.jobs() == [("board", None), ("compare", None), ("run", "2")]

    before = hall.campaign()
    assert (before.revision, before.waiting) == (3, [])
    assert hall.contents()["runs/2.csv"] == (folder / "runs/2.csv").read_bytes()
    hall.poll()
    hall.restart()
    hall.settle()
    hall.settle()
    assert hall.campaign() == before
    assert hall.actors() == {("watch", "engineer")}
    assert hall.left_in_service() == []


def test_what_is_still_being_written_waits(hall: Hall) -> None:
    """A sheet before its recording, a recording that grows, a sheet that is half there."""
    folder = hall.begin([zero("0")])
    hall.settle()
    run = bare("1")
    write_sheet(folder, "1", run.sheet())
    hall.poll(0.0)
    assert not any("runs/1" in one for one in hall.problems())
    hall.poll()
    assert any("names runs/1.csv, which is not in the watched" in one for one in hall.problems())

    text = run.recording()
    for share in (0.3, 0.6, 1.0):
        (folder / "runs" / "1.csv").write_text(text[: int(share * len(text))])
        hall.poll(4.0)
        assert hall.numbers() == ["0"]
    hall.poll(4.0)
    assert hall.numbers() == ["0"]
    hall.poll(4.0)
    assert (hall.numbers(), hall.problems()) == (["0", "1"], [])

    sheet = folder / "runs" / "2.toml"
    hall.log(folder, spoiler("2"))
    whole = sheet.read_text()
    sheet.write_text(whole[: whole.index("configuration") + 3])
    hall.poll(0.0)
    hall.poll(4.0)
    assert (hall.numbers(), hall.problems()) == (["0", "1"], [])
    sheet.write_text(whole)
    hall.settle()
    assert hall.numbers() == ["0", "1", "2"]


def test_what_is_wrong_is_shown_and_holds_nothing_else_up(hall: Hall) -> None:
    """Sheets and recordings with faults stand with the campaign until they are mended."""
    folder = hall.begin([zero("0"), bare("1")])
    sheet = bare("2").sheet()
    sheet["channel"][0]["unit"] = "furlong"
    hall.log(folder, bare("2"))
    write_sheet(folder, "2", sheet)
    (folder / "runs" / "3.toml").write_text("format = 1\n[run\n")
    hall.log(folder, spoiler("4"))
    (folder / "runs" / "4.csv").write_bytes(b"\x00\x01\x02" * 100)
    hall.settle()

    assert hall.numbers() == ["0", "1"]
    told = hall.problems()
    assert [one.partition(":")[0] for one in told] == [f"runs/{n}.toml" for n in "234"]
    assert "furlong" in told[0]
    assert "not valid TOML" in told[1]
    before = hall.campaign()
    hall.poll()
    hall.restart()
    for _ in range(3):
        hall.poll(4.0)
        assert hall.campaign() == before

    for run in (bare("2"), bare("3"), spoiler("4")):
        hall.log(folder, run)
    hall.settle()
    hall.settle()
    assert (hall.numbers(), hall.problems()) == (list("01234"), [])
    assert hall.left_in_service() == []


def test_a_fault_between_two_sheets_is_mended_by_either(hall: Hall) -> None:
    """Two runs of one number: the second waits until its number is another one."""
    folder = hall.begin([zero("0"), bare("1")])
    hall.settle()
    again = bare("2").sheet()
    again["run"]["number"] = "1"
    hall.log(folder, bare("2"))
    write_sheet(folder, "2", again)
    hall.settle()
    assert hall.numbers() == ["0", "1"]
    assert hall.problems()

    first = bare("1").sheet()
    first["run"]["number"] = "1a"
    write_sheet(folder, "1", first)
    hall.settle()
    hall.settle()
    assert (hall.numbers(), hall.problems()) == (["0", "1", "1a"], [])


def test_a_wrong_campaign_sheet_is_waited_for(hall: Hall) -> None:
    """There is no campaign before it is right; later its fault is shown and the last one stays."""
    folder = hall.begin([zero("0"), bare("1")])
    right = (folder / "campaign.toml").read_text()
    (folder / "campaign.toml").write_text(right.replace("scale", "skale"))
    hall.settle()
    assert hall.campaigns() == []
    (folder / "campaign.toml").write_text(right)
    hall.settle()
    assert hall.numbers() == ["0", "1"]

    (folder / "campaign.toml").write_text(right.replace("scale", "skale"))
    hall.log(folder, bare("2"))
    hall.settle()
    hall.settle()
    assert hall.numbers() == ["0", "1", "2"]
    assert any("campaign.toml" in one for one in hall.problems())
    assert hall.contents()["campaign.toml"].decode() == right


def test_changes_are_revisions_and_removals_are_not(hall: Hall) -> None:
    """A logger's disk is cleared; what it wrote stays in the catalogue."""
    folder = hall.begin([zero("0"), bare("1")])
    hall.settle()
    before = hall.campaign()
    hall.log(folder, bare("1", rms=0.05))
    hall.settle()
    after = hall.campaign()
    assert after.revision == before.revision + 1
    assert hall.contents()["runs/1.csv"] == (folder / "runs" / "1.csv").read_bytes()
    assert ("run", "1") in hall.jobs()

    (folder / "runs" / "1.csv").unlink()
    (folder / "runs" / "0.toml").unlink()
    hall.settle()
    hall.restart()
    hall.settle()
    (folder / "campaign.toml").touch()
    hall.settle()
    assert hall.campaign() == after


def test_links_and_what_lies_outside_stay_out(hall: Hall, tmp_path: Path) -> None:
    """Of files, sheets and folders; a sheet that names what it may not is told."""
    outside = tmp_path / "outside"
    outside.mkdir()
    run = bare("1")
    (outside / "1.csv").write_text(run.recording())
    folder = hall.begin([zero("0")])
    for number in "12":
        write_sheet(
            folder, number, {**run.sheet(), "run": {**run.sheet()["run"], "number": number}}
        )
    (folder / "runs" / "1.csv").symlink_to(outside / "1.csv")
    write_sheet(folder, "3", bare("3").sheet())
    (folder / "runs" / "3.toml").rename(outside / "3.toml")
    (folder / "runs" / "3.toml").symlink_to(outside / "3.toml")
    (folder / "runs" / "3.csv").write_text(bare("3").recording())
    (folder / "linked").symlink_to(outside)
    leaves = bare("4").sheet()
    leaves["run"]["recording"] = "../../../outside/1.csv"
    write_sheet(folder, "4", leaves)
    (hall.root / "b").symlink_to(folder)
    hall.settle()

    assert hall.numbers() == ["0"]
    assert any("runs/1.toml: names runs/1.csv, which is not" in one for one in hall.problems())
    assert any("runs/4.toml" in one and "campaign folder" in one for one in hall.problems())


def test_a_campaign_in_the_bin_is_left_alone(either_hall: Hall) -> None:
    """Until it is taken back; deleted for good it does not come again as it was."""
    hall = either_hall
    folder = hall.begin([zero("0")])
    hall.settle()
    campaign = hall.campaign()
    binning.put_into_bin(hall.service, campaign.id, LOCAL, "")
    hall.log(folder, bare("1"))
    hall.settle()
    hall.restart()
    hall.settle()
    assert hall.campaigns() == []

    binning.take_from_bin(hall.service, campaign.id, LOCAL, "")
    hall.settle()
    assert (hall.campaign().id, hall.numbers()) == (campaign.id, ["0", "1"])

    binning.put_into_bin(hall.service, campaign.id, LOCAL, "")
    hall.poll()
    binning.delete_for_good(hall.service, campaign.id, LOCAL, "")
    hall.settle()
    hall.settle()
    assert hall.campaigns() == []
    hall.log(folder, spoiler("2"))
    hall.settle()
    assert hall.campaign().id == campaign.id + 1


def test_a_run_in_the_bin_stays_there(hall: Hall) -> None:
    """Though its files still lie in the folder; it comes again when they change."""
    folder = hall.begin([zero("0"), bare("1"), bare("2")])
    hall.settle()
    binning.put_run_into_bin(hall.service, hall.campaign().id, "2", LOCAL, "")
    hall.settle()
    hall.restart()
    hall.settle()
    assert hall.numbers() == ["0", "1"]
    binning.take_run_from_bin(hall.service, hall.campaign().id, "2", LOCAL, "")
    hall.settle()
    assert hall.numbers() == ["0", "1", "2"]

    binning.put_run_into_bin(hall.service, hall.campaign().id, "2", LOCAL, "")
    other = bare("2").sheet()
    other["run"]["yaw"] = "2 deg"
    write_sheet(folder, "2", other)
    hall.settle()
    assert hall.numbers() == ["0", "1", "2"]


def test_a_folder_may_vanish_and_come_back(hall: Hall, caplog: pytest.LogCaptureFixture) -> None:
    """The campaign's, or the whole; each is told once."""
    caplog.set_level("INFO")
    folder = hall.begin([zero("0")])
    hall.settle()
    before = hall.campaign()
    hall.root.rename(hall.root.parent / "away")
    hall.poll()
    hall.poll()
    told = [record for record in caplog.records if "cannot be watched now" in record.message]
    assert len(told) == 1
    (hall.root.parent / "away").rename(hall.root)
    folder.rename(hall.root / ".away")
    hall.poll()
    (hall.root / ".away").rename(folder)
    hall.settle()
    assert hall.campaign() == before
    hall.log(folder, bare("1"))
    hall.settle()
    assert hall.numbers() == ["0", "1"]


def test_the_catalogue_may_be_away_too(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be taken in is taken in later."""
    hall.begin([zero("0")])
    hall.poll(0.0)

    def full(*arguments: Any) -> None:
        raise NotFoundError("gone")

    with monkeypatch.context() as patch:
        patch.setattr(changes, "take_watched", full)
        hall.poll()
    assert hall.campaigns() == []
    assert hall.left_in_service() == []
    hall.poll()
    assert hall.numbers() == ["0"]


def test_a_file_that_changes_while_it_is_copied_is_left_for_later(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Though it had seemed finished."""
    monkeypatch.setattr(copies, "PIECE_BYTES", 1000)
    folder = hall.begin([zero("0")])
    grown = folder / "runs" / "0.csv"
    text, pieces = grown.read_text(), copies._pieces

    def growing(*arguments: Any) -> Any:
        for piece in pieces(*arguments):
            if arguments[1].endswith(".csv"):
                with grown.open("a") as file:
                    file.write(text.splitlines()[-1] + "\n")
            yield piece

    hall.poll(0.0)
    with monkeypatch.context() as patch:
        patch.setattr(copies, "_pieces", growing)
        hall.poll()
    assert hall.campaigns() == [] or hall.numbers() == []
    assert hall.left_in_service() == []
    hall.settle()
    hall.settle()
    assert hall.contents()["runs/0.csv"] == grown.read_bytes()


def test_the_folder_itself_may_be_a_campaign(hall: Hall) -> None:
    """Of which nothing below is another one; nor is anything of the service's own folder."""
    hall.root.rmdir()
    hall.begin([zero("0")], name=".")
    (hall.root / "b").mkdir()
    (hall.root / "b" / "campaign.toml").write_text("format = 1\n")
    hall.settle()
    assert (hall.campaign().watched, hall.numbers()) == (".", ["0"])


def test_the_services_own_folder_is_not_watched(hall: Hall, tmp_path: Path) -> None:
    """Where it lies within the watched one: campaigns are laid out there for workers."""
    (hall.service.settings.places.scratch / "x").mkdir()
    (hall.service.settings.places.scratch / "x" / "campaign.toml").write_text("format = 1\n")
    everything = Hall(hall.service, tmp_path)
    hall.begin([zero("0")])
    everything.settle()
    assert [one.watched for one in everything.campaigns()] == ["hall/a"]


def test_a_look_at_a_thousand_old_runs_is_short(
    hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is opened where nothing changed."""
    folder = hall.begin([])
    sheet = (write_sheet(folder, "0", zero("0").sheet()), folder / "runs" / "0.toml")[1].read_text()
    for i in range(1000):
        text = sheet.replace('"0"', f'"{i}"').replace('"0.csv"', f'"{i}.csv"')
        (folder / "runs" / f"{i}.toml").write_text(text)
        (folder / "runs" / f"{i}.csv").write_text("x")
    stored = [
        StoredFile(path.relative_to(folder).as_posix(), file_digest(path), path.stat().st_size)
        for path in folder.rglob("*.*")
        if path.is_file()
    ]
    with writing(hall.service.engine) as connection:
        catalogue.add(connection, Found("t", None, (), (), ()), stored, "watch", "a")
    before = hall.campaign()
    monkeypatch.setattr(folder_module, "MOST_AT_ONCE", 2000)
    hall.settle()
    hall.poll()

    took = []
    for _ in range(5):
        began = time.perf_counter()
        hall.poll()
        took.append(time.perf_counter() - began)

    assert hall.campaign() == before
    with reading(hall.service.engine) as connection:
        assert len(catalogue.files(connection, before.id)) == 2001
    print(f"{1000 * min(took):.1f} ms")
    assert min(took) < GOAL_S
