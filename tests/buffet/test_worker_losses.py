"""What processes that read runs may meet: none to be had, none that begins, none that goes on."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import types
from pathlib import Path

import fsspec
import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.errors import WorkerError
from buffet.one_run import Failure
from buffet.run_analysis import RunAnalysis
from buffet.workers.choice import HERE, Workers
from buffet.workers.process import (
    LENGTH,
    OUT_OF_MEMORY,
    WorkerGone,
    WorkerProcess,
    WorkerUnfit,
)
from buffet.workers.processes import _lost
from ingest import Campaign, open_campaign, open_stored_campaign
from tests.buffet.campaigns import lift_run, wind_off, write_runs
from tests.buffet.test_workers import TWO, Dies

SECONDS = 8.0


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    """Three runs, none of which names another."""
    folder = tmp_path_factory.mktemp("losses") / "c"
    runs = [lift_run(number, 0.03, "bare", SECONDS) for number in ("1", "2")]
    return open_campaign(write_runs(folder, [wind_off("0", seconds=SECONDS), *runs]))


class Scarce(WorkerProcess):
    """Of which the system starts so many."""

    left = 0

    def __init__(self, *given: object) -> None:
        if not Scarce.left:
            raise OSError(errno.ENOMEM, "Cannot allocate memory")
        Scarce.left -= 1
        super().__init__(*given)  # type: ignore[arg-type]


@pytest.mark.parametrize(("n_started", "who"), [(0, "this one reads"), (1, "1 read all")])
def test_processes_that_cannot_be_started(
    n_started: int,
    who: str,
    campaign: Campaign,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Those that are there read all runs, or this one does: the same; told once."""
    monkeypatch.setattr("buffet.workers.processes.WorkerProcess", Scarce)
    monkeypatch.setattr(Scarce, "left", n_started)
    found = analyse(campaign, workers=TWO)
    alone = analyse(campaign, workers=HERE)

    assert not found.failed
    for mine, theirs in zip(found.runs, alone.runs, strict=True):
        np.testing.assert_array_equal(mine.spectra.psd, theirs.spectra.psd)
    (warned,) = caplog.records
    assert f"([Errno 12] Cannot allocate memory): {who}" in warned.getMessage()


def test_what_ended_a_process_is_not_read_here(
    campaign: Campaign, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no second one can be started for it."""
    monkeypatch.setattr("buffet.workers.processes.WorkerProcess", Scarce)
    monkeypatch.setattr(Scarce, "left", 1)
    found = analyse(campaign, ["1", "2"], workers=TWO, prepare=Dies("2"))

    assert found.failed == (Failure("2", "the process that read it ended; no other can be begun"),)


def test_what_no_process_can_load_is_told_once(
    campaign: Campaign, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Not a run each, nor by the interpreter's own last words."""
    only_here = types.ModuleType("only_here")
    exec("def prepare(run): pass", only_here.__dict__)
    monkeypatch.setitem(sys.modules, "only_here", only_here)

    with pytest.raises(WorkerError, match=r"cannot load .* No module named 'only_here'"):
        analyse(campaign, workers=TWO, prepare=only_here.prepare)
    assert capfd.readouterr().err == ""


def test_processes_import_what_this_one_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever lies where the command is called."""
    (tmp_path / "buffet.py").write_text("raise SystemExit(3)\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.path", [path for path in sys.path if path])
    process = WorkerProcess(b"no pickle")
    try:
        with pytest.raises(WorkerUnfit, match="cannot load what it is given: UnpicklingError"):
            process.answer([])
    finally:
        process.kill()


def test_a_message_that_finds_no_room_ends_its_process() -> None:
    """Whoever sent it is not left waiting."""
    process = WorkerProcess(b"")
    try:
        stream = process._process.stdin
        assert stream is not None
        stream.write(LENGTH.pack(1 << 60))
        stream.flush()
        assert process._process.wait(20.0) == OUT_OF_MEMORY
    finally:
        process.kill()


@pytest.mark.parametrize(
    ("ended_by", "has_begun", "error", "lacks_memory"),
    [
        (signal.SIGKILL, True, WorkerGone, True),
        (signal.SIGKILL, False, WorkerGone, True),
        (signal.SIGABRT, True, WorkerGone, False),
        (signal.SIGABRT, False, WorkerUnfit, None),
    ],
)
def test_how_a_process_ended(
    ended_by: signal.Signals, has_begun: bool, error: type[Exception], lacks_memory: bool | None
) -> None:
    """Memory is advised where it may have been that; one that never began would not again."""
    process = WorkerProcess(b"")
    try:
        os.kill(process.pid, ended_by)
        if has_begun:
            process._first = None
        with pytest.raises(error, match=f"ended by {ended_by.name}") as caught:
            process.answer([])
    finally:
        process.kill()
    if isinstance(caught.value, WorkerGone):
        assert caught.value.lacks_memory is lacks_memory
        assert ("--memory" in _lost(caught.value)) is lacks_memory


def test_fetched_copies_go_with_whoever_is_killed(
    campaign: Campaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of processes that are ended in the middle of a run."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    stored = open_stored_campaign(f"local://{campaign.folder}")
    (mirror,) = tmp_path.iterdir()
    found = analyse(stored, ["1", "2"], workers=TWO, prepare=Dies("2"))

    assert [one.run for one in found.failed] == ["2"]
    assert [run.run.number for run in found.runs] == ["1"]
    assert list(tmp_path.iterdir()) == [mirror]


def test_processes_left_alone_clear_their_folder(tmp_path: Path) -> None:
    """Whoever started them was killed and clears nothing."""
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    (scratch / "1.csv").touch()
    code = (
        "import os, sys\nfrom buffet.workers.process import WorkerProcess\n"
        "one = WorkerProcess(b'', sys.argv[1])\n"
        "print(one.pid, flush=True)\nos.kill(os.getpid(), 9)"
    )
    command = [sys.executable, "-c", code, str(scratch)]
    subprocess.run(command, capture_output=True, check=False)  # until its worker closed them, too

    assert not scratch.exists()


def test_a_full_disk_under_a_run_costs_that_run(campaign: Campaign) -> None:
    """In its own words."""
    found = analyse(campaign, prepare=_full)

    assert found.failed == (Failure("2", "cannot be read: [Errno 28] No space left on device"),)
    assert [run.run.number for run in found.runs] == ["1"]


def _full(analysis: RunAnalysis) -> None:
    if analysis.run.number == "2":
        raise OSError(errno.ENOSPC, "No space left on device")


def test_a_store_of_one_process_is_read_by_one(
    campaign: Campaign, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Several that were asked for are refused; where nobody asked, this one reads."""
    monkeypatch.setattr("buffet.workers.choice.FEWEST_RUNS", 1)
    monkeypatch.setattr("buffet.workers.choice.cores", lambda: 2)
    store = fsspec.filesystem("memory")
    store.put(str(campaign.folder), "/losses/", recursive=True)
    try:
        stored = open_stored_campaign("memory://losses/c")
        for who in (TWO, Workers(cluster="tcp://127.0.0.1:1")):
            with pytest.raises(WorkerError, match=r"memory://losses/c: .* belongs to one process"):
                analyse(stored, workers=who)
        assert not analyse(stored, workers=Workers()).failed
    finally:
        store.rm("/losses", recursive=True)
