"""Recordings made to do harm are refused, or stay within the bounds of a limited child."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from buffet.service.intake.children import ChildError, ChildLimits, run_limited
from buffet.service.intake.inspection import inspect_limited
from tests.buffet.service.intake import child_tasks
from tests.buffet.service.intake.hostile_files import BOMB_MIB, FILES, MIB, gzip_of, long_chunk
from tests.ingest.campaigns import run_sheet, toml

# Of an interpreter with every reader's library: 180 MiB, and what a few blocks take.
MOST_BYTES = 300 * MIB
TITLE = {"format": 1, "campaign": {"title": "hostile"}}


def campaign_of(folder: Path, names: list[str]) -> Path:
    """Sheets that read channel "a" of a file each."""
    (folder / "runs").mkdir(parents=True)
    (folder / "campaign.toml").write_text(toml(TITLE))
    for name in names:
        sheet = run_sheet(name, "wind-off", recording=f"{name}.dat")
        channel: dict[str, Any] = {"column": "a", "name": "a", "measures": "other", "unit": "1"}
        sheet |= {"sampling": {"rate": "1 kHz"}, "channel": [channel]}
        (folder / "runs" / f"{name}.toml").write_text(toml(sheet))
    return folder


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A campaign of hostile files."""
    folder = campaign_of(tmp_path_factory.mktemp("hostile"), list(FILES))
    for name, (make, _) in FILES.items():
        make(folder / "runs" / f"{name}.dat")
        saved = folder / "runs" / f"{name}.dat.npz"  # NumPy adds its suffix
        for made in (saved, saved.with_suffix(".npy")):
            if made.exists():
                made.replace(folder / "runs" / f"{name}.dat")
    return folder


@pytest.fixture(scope="module")
def read(hostile: Path) -> Any:
    """What a child makes of reading all of them to their ends."""
    return run_limited(child_tasks.read_all, str(hostile))


@pytest.mark.parametrize("name", [name for name, case in FILES.items() if case[1] is not None])
def test_hostile_files_are_refused(read: Any, name: str) -> None:
    """Links, pickles, sizes that are not their own: an error that says so."""
    words = FILES[name][1]

    assert words is not None
    assert isinstance(read["runs"][name], str)
    assert words in read["runs"][name]


def test_all_of_them_together_take_little_memory(read: Any, hostile: Path) -> None:
    """Also those that are read; none of the files has more than a few megabytes."""
    assert set(read["runs"]) == set(FILES)
    for name in ("npz-bomb", "mat5-bomb", "parquet-bomb"):
        assert read["runs"][name] == BOMB_MIB * MIB // 8
    assert read["peak_bytes"] < MOST_BYTES
    assert max(path.stat().st_size for path in hostile.rglob("*.dat")) < 2 * MIB


def test_nothing_was_unpickled(read: Any) -> None:
    """The object would have left a file."""
    assert "npy-objects" in read["runs"]
    assert not Path("/tmp/buffet-was-here").exists()


def test_an_inspection_tells_links_and_pickles_as_faults(hostile: Path) -> None:
    """Each at its sheet, and goes on to the next."""
    found = inspect_limited(hostile)

    faults = {fault.file: fault.problem for fault in found.faults}
    for name in ("external-link", "virtual", "soft-loop", "matlab-link", "npy-objects"):
        assert f"runs/{name}.toml" in faults
    assert len(found.runs) == len(FILES)


def read_or_ended(folder: Path, limits: ChildLimits) -> str:
    """Why a campaign of one recording was not read."""
    try:
        found = run_limited(child_tasks.read_all, str(folder), limits=limits)
    except ChildError as error:
        return type(error).__name__
    return str(found["runs"]["014"])


@pytest.mark.parametrize(
    ("begin", "piece", "why"),
    [(b"a\n", b"0\n", "ChildTimeError"), (b"a\n", b"0,", ""), (b"", b"\0", "no reader knows")],
    ids=["lines", "one line without end", "zeros"],
)
def test_ten_gigabytes_in_a_gzip_file_take_time_and_no_memory(
    tmp_path: Path, begin: bytes, piece: bytes, why: str
) -> None:
    """They are read until the time is over, or refused."""
    folder = campaign_of(tmp_path, ["014"])
    recording = folder / "runs" / "014.dat"
    gzip_of(piece, 10 * 1024 * MIB, recording, begin)

    found = read_or_ended(folder, ChildLimits(cpu_s=2, memory_bytes=600 * MIB))

    assert recording.stat().st_size < 12 * MIB
    assert why in found
    assert not found.isdigit()
    assert "ChildMemoryError" not in found


def test_a_chunk_that_unpacks_to_more_than_it_states_ends_at_the_limit(tmp_path: Path) -> None:
    """HDF5 unpacks what a chunk holds, whatever the file says of its size; one megabyte here."""
    folder = campaign_of(tmp_path, ["014"])
    long_chunk(folder / "runs" / "014.dat")

    found = read_or_ended(folder, ChildLimits(memory_bytes=512 * MIB))

    assert (folder / "runs" / "014.dat").stat().st_size < 2 * MIB
    assert not found.isdigit()
