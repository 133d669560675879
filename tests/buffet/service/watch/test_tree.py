"""Files are reached through real folders alone, and are files."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from buffet.service.watch.copies import ChangedMeanwhileError, copied
from buffet.service.watch.groups import read_sheet
from buffet.service.watch.tree import LIMITS, Stamp, look, opened


def test_no_link_is_followed_on_the_way_to_a_file(tmp_path: Path) -> None:
    """Though it was none when it was looked at; nor does a pipe hold whoever opens it."""
    inside, outside = tmp_path / "a" / "runs", tmp_path / "outside"
    inside.mkdir(parents=True)
    outside.mkdir()
    for folder in (inside, outside):
        (folder / "1.csv").write_text("x")
    os.close(opened(tmp_path, "a/runs/1.csv"))
    os.close(opened(tmp_path / "a", "./runs/1.csv"))
    (inside / "link.csv").symlink_to(outside / "1.csv")
    (tmp_path / "a" / "linked").symlink_to(outside)
    (tmp_path / "b").symlink_to(tmp_path / "a")
    os.mkfifo(inside / "pipe.csv")
    for name in ("a/runs/link.csv", "a/linked/1.csv", "b/runs/1.csv", "a/runs/pipe.csv", "a/runs"):
        with pytest.raises(OSError, match=r"."):
            opened(tmp_path, name)
    assert sorted(look(tmp_path / "a")) == ["runs/1.csv"]


def test_hidden_files_are_somebodys_work(tmp_path: Path) -> None:
    """Copying programs write into one and rename it; folders of any depth end somewhere."""
    (tmp_path / ".1.csv.partial").write_text("x")
    deep = tmp_path.joinpath(*["d"] * (LIMITS.depth + 2))
    deep.mkdir(parents=True)
    (deep / "1.csv").write_text("x")
    (tmp_path / "2.csv").write_text("x")
    assert list(look(tmp_path)) == ["2.csv"]


def test_a_stop_ends_a_copy(tmp_path: Path) -> None:
    """And nothing of it stays."""
    (tmp_path / "in").mkdir()
    (tmp_path / "1.csv").write_text("x")
    stamp = Stamp.of((tmp_path / "1.csv").stat())
    with pytest.raises(ChangedMeanwhileError):
        copied(tmp_path, "1.csv", stamp, tmp_path / "in", lambda: True)
    assert list((tmp_path / "in").iterdir()) == []


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"\xff", "not UTF-8"),
        (b"a = [" * 1000, "TOML|deeply"),
        (b"a" + b".a" * 100_000 + b" = 1", "nested too deeply"),
    ],
)
def test_sheets_that_are_none(data: bytes, told: str) -> None:
    """Are told at once."""
    fault = read_sheet("runs/1.toml", data).fault
    assert fault is not None
    assert any(word in fault["problem"] for word in told.split("|"))
