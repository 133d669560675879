"""Kept recordings: the same record to the last bit, or read anew; never what has changed."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest import Channel, Record, RecordingError, Run, recording_cache
from ingest.cache_entry import EntryInMaking
from ingest.errors import CacheError
from ingest.readers import part
from ingest.recording import ClockOptions, FileOptions
from ingest.recording_cache import FOLDER, cache_folder

N = 1000
CHANNELS = (
    Channel("lift", "fz", "lift", "N", 2.0, 0.5),
    Channel("tap", "p", "pressure", "Pa", 1.0),
)
AT_100_HZ = ClockOptions(rate_hz=100.0)


@pytest.fixture(autouse=True)
def short_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Several blocks of a recording of kilobytes."""
    monkeypatch.setattr(part, "BLOCK_ROWS", 300)
    monkeypatch.setattr("ingest.readers.text_chunks.CHUNK_BYTES", 4096)


def text(seed: int, n: int = N, first: int = 0) -> str:
    """Time with a gap, two columns of six digits, a missing sample now and then."""
    rng = np.random.default_rng(seed)
    rows = [
        f"{(i + 7 * (i > 500)) / 100:.2f},{'' if i % 97 == 3 else f'{fz:.6f}'},{p:.6f}"
        for i, (fz, p) in enumerate(rng.uniform(1.0, 9.0, (n, 2)), first)
    ]
    return "t,fz,p\n" + "\n".join(rows) + "\n"


def run_of(folder: Path, *names: str, **more: Any) -> Run:
    """A run of files in a folder, kept beside them."""
    paths = tuple(folder / name for name in names)
    run = Run("1", "bare", "wind-on", folder / "1.toml", paths, names, CHANNELS, AT_100_HZ)
    return replace(run, cache=cache_folder(folder), **more)


def told(run: Run) -> tuple[list[NDArray[np.float64]], Any]:
    """All that a record says: blocks, then what is known at the end."""
    record = run.open()
    blocks = list(record.blocks())
    known = (record.findings, record.provenance, record.n_samples, record.measured_rate_hz)
    opened = (record.sample_rate_hz, record.expected_samples, record.reach_hz)
    return blocks, (*known, *opened, record.slowest_logged_hz, record.zero_reading())


def require_same(run: Run, times: int = 2) -> None:
    """With the cache, filled and in use, as without."""
    blocks, known = told(replace(run, cache=None))
    assert len(blocks) > 1
    for _ in range(times):
        kept_blocks, kept_known = told(run)
        assert kept_known == known
        assert len(kept_blocks) == len(blocks)
        for kept, block in zip(kept_blocks, blocks, strict=True):
            assert kept.tobytes() == block.tobytes()


def entries(folder: Path, suffix: str = ".f64") -> list[Path]:
    """Files of the cache."""
    return sorted((folder / FOLDER).glob(f"*{suffix}"))


def refuse_to_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """From here on nothing but the cache can be read."""

    def refuse(*_: Any) -> None:
        raise AssertionError("the recording was read")

    monkeypatch.setattr(recording_cache, "open_recording", refuse)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """One text."""
    (tmp_path / "1.csv").write_text(text(1))
    return run_of(tmp_path, "1.csv")


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


def test_stopping_early_keeps_nothing(run: Run, tmp_path: Path) -> None:
    """Half a recording is none."""
    for _ in Record(run, {}).blocks():
        break

    assert not list((tmp_path / FOLDER).iterdir())


def test_a_recording_that_is_not_there_is_told_as_ever(tmp_path: Path) -> None:
    """The cache has no word in it."""
    with pytest.raises(RecordingError, match="there is no such file; check `recording`"):
        run_of(tmp_path, "1.csv").open()


def test_what_a_killed_process_left_goes(tmp_path: Path) -> None:
    """After a day; what is younger may be in the making."""
    folder = cache_folder(tmp_path)
    (folder / "old.part").touch()
    (folder / "new.part").touch()
    os.utime(folder / "old.part", (1.0, 1.0))

    cache_folder(tmp_path)

    assert [path.name for path in folder.iterdir()] == ["new.part"]


def test_a_folder_that_cannot_be_written_is_told_at_once(tmp_path: Path) -> None:
    """Before hours of reading."""
    (tmp_path / FOLDER).write_text("a file stands where the folder is to be")

    with pytest.raises(CacheError, match="recordings cannot be kept there"):
        cache_folder(tmp_path)


def test_what_another_version_kept_is_let_go(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once the same recording is kept by this one."""
    monkeypatch.setattr(recording_cache, "package_version", lambda: "0.0.1")
    told(run)
    (old,) = entries(tmp_path, ".json")
    monkeypatch.undo()

    told(run)
    (kept,) = entries(tmp_path, ".json")

    assert kept != old
    assert len(entries(tmp_path)) == 1


def test_a_file_that_another_process_renames_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was there when the folder was listed, and is not when it is looked at."""
    folder = cache_folder(tmp_path)
    monkeypatch.setattr(Path, "glob", lambda self, pattern: iter([folder / "gone.part"]))
    assert cache_folder(tmp_path) == folder
