"""Memory of processes that read runs: what each takes, who may begin, what is free and told."""

from __future__ import annotations

import logging
import pickle
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from buffet.analysis import analyse
from buffet.commands import running
from buffet.commands.worker_options import MemoryType
from buffet.one_pass import AnalysisSettings
from buffet.one_run import Reading, RunRead, read_run
from buffet.rating.rate import FOR_RATING
from buffet.workers.choice import Workers
from buffet.workers.free_memory import WITHOUT_ANY_WORD_BYTES, free_bytes
from buffet.workers.memory import PROCESS_BYTES, Bound, Budget, Needs, needs_of
from buffet.workers.parcels import PROTOCOL, Shared, pieces
from buffet.workers.process import WorkerProcess
from buffet.workers.worker import RunTask
from ingest import Campaign, open_campaign
from tests.benchmarks.campaigns import Size, write_campaign
from tests.buffet.campaigns import lift_run, wind_off, write_runs

SHORT_S = 0.5  # of a segment
GB = Bound(1e9, is_asked=True)
RUN = Needs(working=2e8, kept=1e7)


def taken(reading: Reading, number: str, off: Mapping[str, RunRead]) -> tuple[float, int]:
    """Peak memory of a worker that reads one run, and the size of its answer, in bytes."""
    process = WorkerProcess(pickle.dumps(reading, PROTOCOL))
    try:
        task = RunTask(number, frozenset(off), off)
        answer = process.answer(pieces(task, Shared(reading.campaign, {})))
        status = Path(f"/proc/{process.pid}/status").read_text()
    finally:
        process.kill()
    return 1024 * int(re.search(r"VmHWM:\s+(\d+)", status)[1]), len(answer)  # type: ignore[index]


def test_memory_is_estimated_as_it_is_taken(tmp_path: Path) -> None:
    """Of a worker that reads a wind-on run: no less than at its peak, and not twice as much."""
    runs = [wind_off("0"), replace(lift_run("1", 0.03, seconds=20.0), zero="0")]
    campaign = open_campaign(write_runs(tmp_path / "c", runs))
    reading = Reading(campaign, AnalysisSettings(keeps=FOR_RATING, workers=1), None)
    off = {"0": read_run(reading, campaign.run("0"), {})}
    peak, answer = taken(reading, "1", off)
    needs = needs_of(campaign.run("1"), reading, off)

    assert peak <= PROCESS_BYTES + needs.working <= 2 * peak
    assert answer <= 1.1 * needs.kept


def test_memory_of_many_channels_is_estimated_as_it_is_taken(tmp_path: Path) -> None:
    """There batches of samples take more than all that is kept of them."""
    campaign = open_campaign(write_campaign(tmp_path / "c", Size(channels=256, duration_s=100.0)))
    reading = Reading(campaign, AnalysisSettings(workers=1), SHORT_S)
    peak, answer = taken(reading, "1", {})
    needs = needs_of(campaign.run("1"), reading, {})

    assert peak <= PROCESS_BYTES + needs.working <= 2 * peak
    assert answer <= 1.1 * needs.kept


def test_memory_bounds_who_may_begin() -> None:
    """Runs begin while all that read stay below the bound; one may always."""
    budget = Budget(GB, 4)
    begun = 0
    while budget.admits(RUN, begun):
        budget.begin(RUN)
        begun += 1

    assert begun == 3  # 90 MB a process besides: four would be 1.16 GB
    budget.end(RUN, 1e7)
    assert budget.admits(RUN, 2)
    assert budget.admits(Needs(5e9, 5e9), 0)
    assert not budget.admits(budget.alone, 1)


def read_in_turn(budget: Budget, needs: Needs, n_runs: int, kept_bytes: float) -> list[int]:
    """How many were being read at a time, over so many runs."""
    working, found = 0, []
    for _ in range(n_runs):
        while budget.admits(needs, working):
            budget.begin(needs)
            working += 1
        found.append(working)
        budget.end(needs, kept_bytes)
        working -= 1
    return found


def test_what_is_kept_takes_nobody_s_place(caplog: pytest.LogCaptureFixture) -> None:
    """The last of many runs are read as the first were; that results outgrow it is told once."""
    assert set(read_in_turn(Budget(GB, 2), RUN, 400, 2e7)) == {2}

    # 0.58 GB for two processes leave room for the results of 21 runs of 20 MB
    (told,) = [record.getMessage() for record in caplog.records]
    assert told.startswith("results of 22 runs take 440 MB and processes 580 MB, more than ")
    assert "the 1 GB of --memory together" in told
    assert "give more --memory" in told


def test_results_that_fit_are_not_worth_a_word(caplog: pytest.LogCaptureFixture) -> None:
    """Nor is a bound that has room for all."""
    read_in_turn(Budget(GB, 2), RUN, 20, 2e7)

    assert not caplog.records


@pytest.mark.parametrize(
    ("bound", "beside"),
    [(Bound(5e8, is_asked=False), True), (Bound(1e8, is_asked=True), False)],
)
def test_one_process_at_a_time_is_told_once(
    bound: Bound, beside: bool, caplog: pytest.LogCaptureFixture
) -> None:
    """Where two do not fit into the bound, or not even one does."""
    assert set(read_in_turn(Budget(bound, 2), RUN, 5, 0.0)) == {1}

    (told,) = [record.getMessage() for record in caplog.records]
    assert "a run that takes about 290 MB to be read does not fit into" in told
    assert ("beside another" in told) == beside
    named = "the 100 MB of --memory" if bound.is_asked else "500 MB, half of what was free"
    assert named in told


def test_a_bound_on_one_process_is_told(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """It bounds nothing."""
    campaign: Campaign = open_campaign(write_runs(tmp_path / "c", [lift_run("1", 0.03)]))
    analyse(campaign, workers=Workers(1))
    assert not caplog.records

    analyse(campaign, workers=Workers(1, memory_bytes=1e9))

    (told,) = [record.getMessage() for record in caplog.records]
    assert told.startswith("--memory bounds several processes")


def test_what_is_told_takes_the_place_of_progress(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal, where a line is being written over."""
    assert logging.lastResort is not None
    monkeypatch.setattr(logging.lastResort, "formatter", None)
    record = logging.LogRecord("buffet", logging.WARNING, "", 0, "told", None, None)
    shown = []
    for is_watched in (False, True):
        monkeypatch.setattr("sys.stderr.isatty", lambda is_watched=is_watched: is_watched)
        running._tell_over_progress()
        shown.append(logging.lastResort.format(record))

    assert shown == ["told", "\r\033[Ktold"]


@pytest.mark.parametrize(
    ("text", "bytes_"),
    [
        ("4 GB", 4e9),
        ("4gb", 4e9),
        ("800MB", 8e8),
        ("1.5 T", 1.5e12),
        ("4 GiB", 4294967296.0),
        ("4gib", 4294967296.0),
        ("512 kib", 524288.0),
    ],
)
def test_memory_as_people_write_it(text: str, bytes_: float) -> None:
    """In any case; binary units are binary."""
    assert MemoryType().convert(text, None, None) == bytes_


MEMINFO = {"proc/meminfo": "MemTotal: 9000 kB\nMemAvailable:    8000 kB\nBuffers: 1 kB\n"}


def version_1(group: str, limit: int, used: int, let_go: int) -> dict[str, str]:
    """Files of a group of processes."""
    stat = f"cache 1\ninactive_file 5\ntotal_inactive_file {let_go}\n"
    group = f"sys/fs/cgroup/memory{group}"
    return {
        f"{group}/memory.limit_in_bytes": f"{limit}\n",
        f"{group}/memory.usage_in_bytes": f"{used}\n",
        f"{group}/memory.stat": stat,
    }


def version_2(group: str, limit: int | str, used: int, let_go: int) -> dict[str, str]:
    """The same in the later version."""
    group = f"sys/fs/cgroup{group}"
    return {
        f"{group}/memory.max": f"{limit}\n",
        f"{group}/memory.current": f"{used}\n",
        f"{group}/memory.stat": f"anon 7\nfile 9\ninactive_file {let_go}\n",
    }


OWN_1 = {"proc/self/cgroup": "9:cpuset:/\n4:cpu,memory:/jobs/a\n0::/\n"}
OWN_2 = {"proc/self/cgroup": "0::/jobs/a\n"}
FREE: dict[str, tuple[dict[str, str], float]] = {
    "no word": ({}, WITHOUT_ANY_WORD_BYTES),
    "the machine alone": (MEMINFO, 8_192_000),
    "a container": (
        MEMINFO | {"proc/self/cgroup": "0::/\n"} | version_2("", 6000, 5900, 4000),
        4100,
    ),
    "its own group": (
        MEMINFO | OWN_2 | version_2("/jobs/a", 6000, 1000, 0) | version_2("/jobs", "max", 9, 0),
        5000,
    ),
    "a group around it": (
        MEMINFO | OWN_2 | version_2("/jobs/a", "max", 1, 0) | version_2("/jobs", 9000, 2000, 500),
        7500,
    ),
    "a container under another place": (MEMINFO | OWN_2 | version_2("", 6000, 5000, 0), 1000),
    "a place out of sight": (
        MEMINFO | {"proc/self/cgroup": "0::/../b\n"} | version_2("", 6000, 5000, 0),
        1000,
    ),
    "no limit": (MEMINFO | OWN_2 | version_2("/jobs/a", "max", 5000, 0), 8_192_000),
    "more than the machine has": (
        MEMINFO | OWN_2 | version_2("/jobs/a", 2**60, 5000, 0),
        8_192_000,
    ),
    "used up": (MEMINFO | OWN_2 | version_2("/jobs/a", 6000, 7000, 0), 0),
    "version 1": (MEMINFO | OWN_1 | version_1("/jobs/a", 6000, 5900, 4000), 4100),
    "version 1, around it": (
        MEMINFO | OWN_1 | version_1("/jobs/a", 2**62, 10, 0) | version_1("", 6000, 1000, 0),
        5000,
    ),
}


@pytest.mark.parametrize("case", FREE)
def test_what_is_free(case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The least of machine and groups; pages of files that were but read are free."""
    monkeypatch.delattr("os.sysconf")
    files, expected = FREE[case]
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)

    assert free_bytes(tmp_path) == expected
