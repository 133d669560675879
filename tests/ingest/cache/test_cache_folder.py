"""The folder of the cache: who may fill it, what others left there, what is of no use any more."""

from __future__ import annotations

import errno
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ingest import RecordingError, Run, cache_entry, cache_keys
from ingest.cache_entry import EntryInMaking
from ingest.cache_folder import cache_folder, let_go_of_unasked
from ingest.cache_keys import FOLDER, asked_by
from ingest.errors import CacheError
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.cache.cached_runs import (
    CHANNELS,
    entries,
    recording_of,
    refuse_to_read,
    require_same,
    run_of,
    text,
    told,
)


def test_the_folder_can_be_deleted_at_any_time(run: Run, tmp_path: Path) -> None:
    """While the campaign is open, too: what cannot be kept is read all the same."""
    require_same(run)
    for path in (tmp_path / FOLDER).iterdir():
        path.unlink()
    require_same(run)
    for path in (tmp_path / FOLDER).iterdir():
        path.unlink()
    (tmp_path / FOLDER).rmdir()

    require_same(run)


def test_what_a_killed_process_left_goes(tmp_path: Path) -> None:
    """Of this host at once, of others after a day; what is younger may be in the making."""
    folder, _ = cache_folder(tmp_path)
    dead = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getpid())"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    here = platform.node()
    gone = [f"{here}-{dead.strip()}-1.part", "elsewhere-1-1.part", "named-otherwise.part"]
    stays = [f"{here}-{os.getpid()}-1.part", "elsewhere-1-2.part"]
    for name in (*gone, *stays):
        (folder / name).touch()
    for name in gone[1:]:
        os.utime(folder / name, (1.0, 1.0))

    cache_folder(tmp_path)

    assert {path.name for path in folder.iterdir()} == set(stays)


def test_what_is_in_the_making_says_whose_it_is(run: Run, tmp_path: Path) -> None:
    """Host and process: by them it is cleared away."""
    blocks = recording_of(run).blocks(("fz", "p"))
    next(blocks)
    (made,) = entries(tmp_path, ".part")

    assert cache_entry.maker(made) == (platform.node(), os.getpid())


def test_a_folder_that_cannot_be_written_is_told_at_once(tmp_path: Path) -> None:
    """Before hours of reading."""
    (tmp_path / FOLDER).write_text("a file stands where the folder is to be")

    with pytest.raises(CacheError, match="recordings cannot be kept there"):
        cache_folder(tmp_path)


@pytest.fixture
def not_writable(monkeypatch: pytest.MonkeyPatch) -> None:
    """As where somebody else's campaign lies; the superuser could write there all the same."""

    def refuse(*_: Any, **__: Any) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    for owner, name in (
        (tempfile, "TemporaryFile"),
        (cache_entry.os, "replace"),
        (Path, "unlink"),
        (Path, "write_text"),
        (EntryInMaking, "__init__"),
    ):
        monkeypatch.setattr(owner, name, refuse)


def test_a_folder_that_may_only_be_read_is_used(
    run: Run,
    tmp_path: Path,
    request: pytest.FixtureRequest,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """What is there is read from it, the rest as ever, and it is told once that none is added."""
    (tmp_path / "2.csv").write_text(text(2))
    known = told(run)[1]
    request.getfixturevalue("not_writable")
    folder, fills = cache_folder(tmp_path)
    assert not fills

    require_same(replace(run, recordings=(tmp_path / "2.csv",), fills_cache=fills))
    refuse_to_read(monkeypatch)

    assert told(replace(run, cache=folder, fills_cache=fills))[1] == known
    (record,) = caplog.records
    assert "nothing is added (Permission denied)" in record.getMessage()


def test_a_changed_recording_behind_a_folder_that_may_only_be_read(
    run: Run, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """The copy cannot be dropped: it is not told that it was."""
    told(run)
    stamp = (tmp_path / "1.csv").stat()
    with (tmp_path / "1.csv").open("w") as file:
        file.write(text(2))
    os.utime(tmp_path / "1.csv", ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    request.getfixturevalue("not_writable")

    with pytest.raises(RecordingError, match="read it without the cache"):
        told(replace(run, fills_cache=False))


def test_a_relative_folder_is_the_same_from_everywhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Workers may stand in another one."""
    monkeypatch.chdir(tmp_path)
    assert cache_folder(Path())[0] == tmp_path / FOLDER


UNASKED: dict[str, Callable[[Run], Run]] = {
    "columns": lambda run: replace(run, channels=CHANNELS[:1], logged=CHANNELS[:1]),
    "clock": lambda run: replace(run, clock=ClockOptions(rate_hz=50.0)),
    "layout": lambda run: replace(run, file_options=FileOptions(missing=("1.0",))),
}


@pytest.mark.parametrize("changed", UNASKED)
def test_what_no_sheet_asks_for_any_more_goes(
    changed: str, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once the campaign is opened with its new sheets; what they ask for stays, whole."""
    (tmp_path / "2.csv").write_text(text(2))
    other = run_of(tmp_path, "2.csv")
    told(run)
    told(other)
    before = set(entries(tmp_path))
    now = UNASKED[changed](run)
    opened_with(tmp_path, now, other)
    (stays,) = entries(tmp_path)
    told(now)
    opened_with(tmp_path, now, other)

    assert stays in before
    assert stays in entries(tmp_path)
    assert len(entries(tmp_path)) == len(entries(tmp_path, ".json")) == 2
    refuse_to_read(monkeypatch)
    told(other)
    told(now)


def opened_with(folder: Path, *runs: Run) -> None:
    """As a campaign of these runs is opened with the cache."""
    kept, _ = cache_folder(folder)
    let_go_of_unasked(kept, (asked_by(run, kept) for run in runs))


def test_what_is_kept_of_recordings_that_are_gone_goes(run: Run, tmp_path: Path) -> None:
    """With the notes on them."""
    (tmp_path / "2.csv").write_text(text(2))
    told(run)
    told(run_of(tmp_path, "2.csv"))
    (tmp_path / "2.csv").unlink()

    opened_with(tmp_path, run)

    assert len(entries(tmp_path)) == len(entries(tmp_path, ".digest")) == 1
    require_same(run)


def test_a_campaign_that_was_moved_keeps_its_entries(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are of its recordings, wherever those lie."""
    (tmp_path / "here").mkdir()
    (tmp_path / "here" / "1.csv").write_text(text(1))
    told(run_of(tmp_path / "here", "1.csv"))
    (tmp_path / "here").rename(tmp_path / "there")
    moved = run_of(tmp_path / "there", "1.csv")
    opened_with(tmp_path / "there", moved)
    refuse_to_read(monkeypatch)

    told(moved)


def test_an_entry_that_goes_while_it_is_to_be_read(
    run: Run, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """By whoever opened newer sheets: the recording is read, and nothing is damaged."""
    blocks, _ = told(run)
    record = run.open()
    opened_with(tmp_path)

    for kept, block in zip(record.blocks(), blocks, strict=True):
        assert kept.tobytes() == block.tobytes()
    assert not caplog.records


def test_what_another_version_kept_is_let_go(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is never read again."""
    monkeypatch.setattr(cache_keys, "package_version", lambda: "0.0.1")
    told(run)
    (old,) = entries(tmp_path, ".json")
    monkeypatch.undo()
    opened_with(tmp_path, run)

    told(run)
    (kept,) = entries(tmp_path, ".json")

    assert kept != old
    assert len(entries(tmp_path)) == 1


def test_a_file_that_another_process_renames_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was there when the folder was listed, and is not when it is looked at."""
    folder, _ = cache_folder(tmp_path)
    monkeypatch.setattr(Path, "glob", lambda self, pattern: iter([folder / "gone.part"]))
    assert cache_folder(tmp_path)[0] == folder
