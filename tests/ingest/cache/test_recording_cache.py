"""Kept recordings: the same record to the last bit, or read anew; never what has changed."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ingest import Record, RecordingError, Run, cache_entry
from ingest.cache_entry import EntryInMaking, write_whole
from ingest.cache_keys import FOLDER, asked_by
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.cache.cached_runs import (
    AT_100_HZ,
    CHANNELS,
    N,
    entries,
    recording_of,
    refuse_to_read,
    require_same,
    run_of,
    text,
    told,
)

CLOCKS = {
    "stated rate": AT_100_HZ,
    "stamps": ClockOptions(time_column="t"),
    "part": ClockOptions(time_column="t", from_s=1.0, to_s=8.0),
    "resampled": ClockOptions(rate_hz=100.0, column_rates_hz=(("p", 99.0),), resample_to_hz=100.0),
}


@pytest.mark.parametrize("clock", CLOCKS)
@pytest.mark.parametrize("files", [1, 2])
def test_a_kept_recording_is_the_same(
    clock: str, files: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Samples, clock, findings and provenance, to the last bit, without reading it again."""
    names = [f"{index}.csv" for index in range(files)]
    for index, name in enumerate(names):
        (tmp_path / name).write_text(text(index, first=2 * N * index))
    run = run_of(tmp_path, *names, clock=CLOCKS[clock])

    require_same(run)
    before = told(replace(run, cache=None))[1]
    refuse_to_read(monkeypatch)

    assert told(run)[1] == before
    assert len(entries(tmp_path)) == 1


def test_what_decides_the_reading_is_part_of_the_key(run: Run, tmp_path: Path) -> None:
    """Other columns, part or layout are other entries; a copy under another name is the same."""
    others = (
        replace(run, channels=CHANNELS[:1], logged=CHANNELS[:1]),
        replace(run, clock=ClockOptions(rate_hz=100.0, from_s=2.0)),
        replace(run, file_options=FileOptions(missing=("1.0",))),
    )
    (tmp_path / "2.csv").write_bytes((tmp_path / "1.csv").read_bytes())

    for one in (run, *others, run_of(tmp_path, "2.csv")):
        require_same(one)

    assert len(entries(tmp_path)) == 1 + len(others)


def test_a_changed_recording_is_read_anew(run: Run, tmp_path: Path) -> None:
    """Its old entry goes."""
    require_same(run)
    before = entries(tmp_path)
    (tmp_path / "1.csv").write_text(text(2))

    require_same(run)

    assert len(entries(tmp_path)) == 1
    assert entries(tmp_path) != before


def test_a_recording_that_was_only_touched_is_not_read(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its digest tells."""
    known = told(run)[1]
    os.utime(tmp_path / "1.csv", ns=(1, 1))
    refuse_to_read(monkeypatch)

    assert told(run)[1] == known
    assert told(run)[1] == known  # by size and time again


def test_a_change_behind_size_and_time_is_refused(run: Run, tmp_path: Path) -> None:
    """Once; the next time it is read as it is."""
    told(run)
    stamp = (tmp_path / "1.csv").stat()
    (tmp_path / "1.csv").write_text(text(2))
    os.utime(tmp_path / "1.csv", ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert (tmp_path / "1.csv").stat().st_size == stamp.st_size

    with pytest.raises(RecordingError, match="is not that of the copy"):
        told(run)

    require_same(run)


def flip(path: Path) -> None:
    """One bit in the second half."""
    data = bytearray(path.read_bytes())
    data[3 * len(data) // 4] ^= 1
    path.write_bytes(data)


def reworded(path: Path, old: str, new: str) -> None:
    """Change a description that can still be read."""
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


DAMAGE: dict[str, tuple[str, Callable[[Path], object]]] = {
    "a bit": (".f64", flip),
    "cut": (".f64", lambda path: path.write_bytes(path.read_bytes()[:-8])),
    "gone": (".f64", Path.unlink),
    "no description": (".json", lambda path: path.write_text("{")),
    "half a description": (".json", lambda path: path.write_text('{"size": 1}')),
    "another rate": (".json", lambda path: reworded(path, '"rate_hz": 1', '"rate_hz": 9')),
    "no blocks": (".json", lambda path: reworded(path, '"blocks": [', '"blocks": [], "more": [')),
}


@pytest.mark.parametrize("kind", DAMAGE)
def test_a_damaged_entry_is_told_once_and_made_anew(
    kind: str, run: Run, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """What was given before the damage and what comes after it are one record."""
    told(run)
    suffix, damage = DAMAGE[kind]
    damage(entries(tmp_path, suffix)[0])

    require_same(run, times=3)

    assert [record.getMessage() for record in caplog.records] == [
        f"{tmp_path / '1.csv'}: its copy in .buffet-cache is damaged; it is read anew"
    ]
    assert len(entries(tmp_path)) == len(entries(tmp_path, ".json")) == 1


def test_a_full_disk_is_told_and_costs_nothing_else(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The record goes on, and nothing half made is left."""

    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(EntryInMaking, "add", full)

    require_same(run, times=1)

    assert "is not kept in .buffet-cache: No space left on device" in caplog.text
    assert not list((tmp_path / FOLDER).iterdir())


def test_a_full_disk_has_its_room_back_at_once(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not when the recording has been read to its end."""
    add = EntryInMaking.add
    added: list[int] = []

    def full(self: EntryInMaking, *block: Any) -> None:
        if added:
            raise OSError(errno.ENOSPC, "No space left on device")
        added.append(1)
        add(self, *block)

    monkeypatch.setattr(EntryInMaking, "add", full)
    blocks = recording_of(run).blocks(asked_by(run, tmp_path / FOLDER).wanted)

    next(blocks)
    assert len(entries(tmp_path, ".part")) == 1
    next(blocks)
    assert not entries(tmp_path, ".part")
    assert len(list(blocks)) > 0


@pytest.mark.parametrize("fails", ["write_text", "replace"])
def test_what_cannot_be_written_whole_leaves_nothing(
    fails: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither half a file nor one in the making."""

    def full(path: Path, *_: Any, **__: Any) -> None:
        path.touch()
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path if fails == "write_text" else cache_entry.os, fails, full)
    with pytest.raises(OSError, match="No space"):
        write_whole(tmp_path / "note", "text")

    assert not list(tmp_path.iterdir())


def test_a_description_that_cannot_be_written_takes_its_samples_along(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are of no use without it."""

    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(cache_entry, "write_whole", full)

    require_same(run, times=1)

    assert not entries(tmp_path)


def test_stopping_early_keeps_nothing(run: Run, tmp_path: Path) -> None:
    """Half a recording is none."""
    for _ in Record(run, {}).blocks():
        break

    assert not list((tmp_path / FOLDER).iterdir())


def test_a_recording_that_is_not_there_is_told_as_ever(tmp_path: Path) -> None:
    """The cache has no word in it."""
    with pytest.raises(RecordingError, match="there is no such file; check `recording`"):
        run_of(tmp_path, "1.csv").open()


def test_who_may_not_fill_the_cache_uses_it(run: Run, tmp_path: Path) -> None:
    """As readers of a long recording's ranges do."""
    reads = replace(run, fills_cache=False)
    require_same(reads)
    assert not entries(tmp_path)

    told(run)
    samples = entries(tmp_path)[0]
    samples.write_bytes(samples.read_bytes()[:-8])
    require_same(reads)  # from the recording, as its copy is damaged
    assert not entries(tmp_path)


@pytest.mark.parametrize("note", ["5", "null", '"abc"', "{}", "[]", "[[1, 2], 3]", "{", ""])
def test_a_note_that_is_none_is_as_if_it_were_not_there(
    note: str, run: Run, tmp_path: Path
) -> None:
    """Whatever stands in it."""
    told(run)
    (path,) = entries(tmp_path, ".digest")
    path.write_text(note)

    require_same(run)

    assert len(entries(tmp_path)) == 1
    assert path.read_text() != note
