"""Runs read on a Dask cluster of this machine, as many would be: the same results, and losses."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import Mock

import numpy as np
import pytest
from distributed import KilledWorker

from buffet import documents
from buffet.analysis import analyse
from buffet.errors import ClusterError
from buffet.one_pass import AnalysisSettings
from buffet.one_run import Failure, Reading
from buffet.peak_search import shedding_peaks
from buffet.rating.rate import FOR_RATING
from buffet.recipes import SpectraRecipe
from buffet.run_analysis import RunAnalysis
from buffet.spectra_outputs import spectra_document
from buffet.workers.choice import HERE, Workers
from buffet.workers.cluster import ClusterCrew, Common, cluster_crew, read_task
from buffet.workers.parcels import Shared, unpacked
from buffet.workers.ranges import ranges_of
from ingest import Campaign, Run, open_campaign, open_stored_campaign
from tests.buffet.campaigns import lift_run, run_buffet, wind_off, write_runs
from tests.buffet.dask_processes import Cluster, cluster
from tests.buffet.test_ranges import KEEPS, N, write_long_run
from tests.buffet.test_workers import Dies, rated

SECONDS = 20.0


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    """A wind-off run that both wind-on runs name."""
    runs = [replace(lift_run(n, 0.03, "bare", SECONDS), zero="0") for n in ("1", "2")]
    folder = tmp_path_factory.mktemp("cluster") / "c"
    return open_campaign(write_runs(folder, [wind_off("0"), *runs]))


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """Of which a test kills one, and the last one that asks for them all, and the scheduler."""
    with cluster(tmp_path_factory.mktemp("dask")) as found:
        yield found


def test_a_cluster_says_the_same(campaign: Campaign, two_workers: Cluster) -> None:
    """The spectra of a run, byte for byte, by one task with its zero as another."""
    recipe = SpectraRecipe("1", ("spectrum",))
    told = [
        documents.dumps(spectra_document(*recipe.analysed(campaign, lambda text: None, who)))
        for who in (HERE, Workers(cluster=two_workers.address))
    ]

    assert told[0] == told[1]


def test_workers_fetch_from_a_store(campaign: Campaign, two_workers: Cluster) -> None:
    """A campaign by its address: the same check, byte for byte, with recordings from there."""
    options = ("--json", "--cluster", two_workers.address)
    there = run_buffet("check", f"local://{campaign.folder}", *options)
    here = run_buffet("check", f"file://{campaign.folder}", "--json")

    assert there.exit_code == here.exit_code == 0, there.stderr
    assert there.stdout == here.stdout


def test_runs_that_workers_cannot_see_are_told(campaign: Campaign, two_workers: Cluster) -> None:
    """Which worker, which file, and what to do; the other runs are read."""
    elsewhere = (Path("/only/here/2.csv"),)
    runs = tuple(replace(r, recordings=elsewhere) if r.number == "2" else r for r in campaign.runs)
    found = analyse(
        replace(campaign, runs=runs), ["1", "2"], workers=Workers(cluster=two_workers.address)
    )

    assert [run.run.number for run in found.runs] == ["1"]
    (lost,) = found.failed
    assert lost.run == "2"
    assert "does not see /only/here/2.csv" in lost.error
    assert "tcp://" in lost.error
    assert "s3://bucket/campaign" in lost.error


def test_versions_must_agree(
    campaign: Campaign, two_workers: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At once, and for a worker that joins later in its task."""
    monkeypatch.setattr("buffet.workers.cluster.package_version", lambda: "99.0")
    with pytest.raises(ClusterError, match=r"has buffeting .*, this is 99\.0; .* install the same"):
        analyse(campaign, workers=Workers(cluster=two_workers.address))
    with pytest.raises(ClusterError, match=r"a worker of the cluster has buffeting 99\.0"):
        Common("0.0.1", b"").opened()


def test_a_long_run_is_read_in_ranges(
    two_workers: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One run by two workers, to the last digits the same."""
    monkeypatch.setattr("buffet.workers.ranges.LONG_VALUES", 4 * N / 5)
    counts: list[int] = []

    def noted(run: Run, n_runs: int, n_workers: int) -> int:
        counts.append(ranges_of(run, n_runs, n_workers))
        return counts[-1]

    monkeypatch.setattr("buffet.workers.cluster.ranges_of", noted)
    long = open_campaign(write_long_run(tmp_path / "c"))
    there = analyse(long, ["2"], KEEPS, workers=Workers(cluster=two_workers.address))
    here = analyse(long, ["2"], KEEPS)

    assert counts == [1, 1, 2]
    assert not there.failed
    (mine,), (theirs,) = there.runs, here.runs
    assert mine.provenance == theirs.provenance
    assert mine.findings == theirs.findings
    scale = theirs.signal.psd.max(axis=1, keepdims=True)
    assert (np.abs(mine.signal.psd - theirs.signal.psd) / scale).max() <= 1e-11


def test_a_killed_worker_costs_its_tasks_alone(
    campaign: Campaign, two_workers: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SIGKILL in the middle of a run: the rating is the local one, byte for byte."""
    settings = AnalysisSettings(keeps=FOR_RATING)
    dies = Dies("2", tmp_path / "died")
    found = analyse(
        campaign, settings=settings, workers=Workers(cluster=two_workers.address), prepare=dies
    )
    local = analyse(campaign, settings=settings, prepare=shedding_peaks())

    assert [worker.process.poll() is None for worker in two_workers.workers].count(False) == 1
    assert not found.failed
    assert rated(found, monkeypatch) == rated(local, monkeypatch)


@pytest.mark.parametrize(
    ("raised", "told"),
    [
        (KilledWorker("read", Mock(), 3), "workers of the cluster ended while"),
        (MemoryError(), "its worker ran out of memory"),
    ],
    ids=["killed", "memory"],
)
def test_a_run_that_kills_workers_fails_alone(
    raised: Exception, told: str, campaign: Campaign
) -> None:
    """Dask gives it up after some, and says so by an error in place of a result."""
    crew = ClusterCrew(Mock(), Reading(campaign, AnalysisSettings(), None))
    future = Mock(result=Mock(side_effect=raised))
    outcome = crew._outcome(campaign.run("2"), future, Shared(campaign, {}))

    assert isinstance(outcome, Failure)
    assert outcome.run == "2"
    assert told in outcome.error
    assert "more memory" in outcome.error


def test_nobody_there(campaign: Campaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No scheduler, no Dask: each has its message."""
    monkeypatch.setattr("buffet.workers.cluster.REACHED_WITHIN_S", 1)
    address = "tcp://127.0.0.1:1"
    with pytest.raises(ClusterError, match="no Dask scheduler answers at") as caught:
        analyse(campaign, workers=Workers(cluster=address))
    assert f"dask worker {address}" in str(caught.value)
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = run_buffet("check", campaign.folder, "--cluster", "tcp://127.0.0.1:1")
    assert done.exit_code == 1
    assert 'pip install "buffeting[cluster]"' in done.stderr


def test_a_misspelt_address_is_one_line(campaign: Campaign) -> None:
    """At once, with nothing of Dask's own behind it, also when the interpreter ends."""
    code = (
        "import sys\nfrom buffet.errors import ClusterError\n"
        "from buffet.workers.cluster import cluster_crew\n"
        "for address in sys.argv[1:]:\n"
        "    try:\n        cluster_crew(address, None)\n"
        "    except ClusterError as error:\n        print(error, file=sys.stderr)\n"
    )
    wrong = ("127.0.0.1", "http://127.0.0.1:8786", "x://y", "nowhere at all", "tcp://host:port")
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", code, *wrong], capture_output=True, text=True, check=True
    )

    assert time.monotonic() - started < 15.0  # a client left alone is waited for for 20 s
    told = done.stderr.splitlines()
    assert len(told) == len(wrong)
    for address, line in zip(wrong, told, strict=True):
        assert line.startswith(f"{address!r} is no address of a Dask scheduler")
        assert line.endswith("give it as tcp://HOST:8786")


def test_a_client_that_has_given_up(campaign: Campaign) -> None:
    """It has no scheduler to ask any more; the same message, also between two stages."""
    client = Mock(status="closed", nthreads=Mock(side_effect=AttributeError("ncores")))
    crew = ClusterCrew(client, Reading(campaign, AnalysisSettings(), None))
    with pytest.raises(ClusterError, match=r"was lost, .* after 0 of 2 runs"):
        list(crew.read(campaign.wind_on, {}, lambda run: None))
    client.status = "running"
    with pytest.raises(AttributeError, match="ncores"):
        list(crew.read(campaign.wind_on, {}, lambda run: None))


def test_what_was_told_leaves_the_cluster(campaign: Campaign, two_workers: Cluster) -> None:
    """Results of wind-on runs, as soon as they are here; wind-off runs are needed by others."""
    reading, off = Reading(campaign, AnalysisSettings(), None), campaign.run("0")
    with cluster_crew(two_workers.address, reading) as crew:

        def held(run: Run) -> set[str]:
            """What the client keeps alive there; it lets go of a run in a thread of its own."""
            until = time.monotonic() + 5.0
            while True:
                keys = {key.rpartition("-")[2] for key in list(crew._client.futures)}
                if run.number not in keys or time.monotonic() > until:
                    return keys
                time.sleep(0.01)

        ((_, zero),) = crew.read([off], {}, lambda run: None)
        assert isinstance(zero, tuple)
        for run, _ in crew.read(campaign.wind_on, {"0": zero}, lambda run: None):
            left = held(run)
            assert run.number not in left
            assert "0" in left


def test_a_task_brings_its_own_runs_alone(campaign: Campaign) -> None:
    """Each worker would open the others again in every task; results say what they said."""
    crew = ClusterCrew(Mock(), Reading(campaign, AnalysisSettings(), None))
    opened = crew._common(campaign.run("2")).opened().campaign

    assert [run.number for run in opened.runs] == ["0", "2"]
    assert opened.run("2") == campaign.run("2")
    assert opened.model == campaign.model


def test_fetched_recordings_lie_with_the_worker(
    campaign: Campaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In its own folder, which Dask clears whichever way the worker ends."""
    worker = Mock(local_directory=str(tmp_path))
    monkeypatch.setattr("distributed.get_worker", lambda: worker)
    stored = open_stored_campaign(f"local://{campaign.folder}")
    reading = Reading(stored, AnalysisSettings(), None, Notes(tmp_path))
    common = ClusterCrew(Mock(), reading)._common(stored.run("0"))
    found = unpacked(read_task(common, "0", {}), Shared(stored, {}))

    assert isinstance(found, tuple), found
    assert (tmp_path / "seen").read_text() == "0/0.csv"
    assert not list(tmp_path.rglob("0.csv"))


@dataclass(frozen=True)
class Notes:
    """Which recordings lie below a folder while a run is read."""

    folder: Path

    def __call__(self, analysis: RunAnalysis) -> None:
        """In the task."""
        found = [path.relative_to(path.parents[1]) for path in self.folder.rglob("*.csv")]
        (self.folder / "seen").write_text(" ".join(map(str, found)))


@dataclass(frozen=True)
class Kills:
    """Ends a process from within a task, or its own."""

    pid: int | None = None

    def __call__(self, analysis: RunAnalysis) -> None:
        """In a worker of the cluster."""
        os.kill(self.pid or os.getpid(), signal.SIGKILL)
        time.sleep(0.1)


def test_what_is_lost_meanwhile_is_told(
    campaign: Campaign,
    two_workers: Cluster,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """All workers: nobody waits for ever; then the scheduler: one message and none of Dask's."""
    monkeypatch.setattr("buffet.workers.cluster.LOOKED_AFTER_S", 0.1)
    monkeypatch.setattr("buffet.workers.cluster.WITHOUT_WORKERS_S", 0.5)
    who = Workers(cluster=two_workers.address)
    with pytest.raises(ClusterError, match=r"lost all workers, and none came within 0\.5 s"):
        analyse(campaign, ["1"], workers=who, prepare=Kills())
    (warned,) = caplog.records
    assert f"the cluster at {two_workers.address} has lost all workers" in warned.getMessage()
    two_workers.add_worker()
    lost = rf"the scheduler at {two_workers.address} was lost, .* after 0 of 1 runs; start it again"
    kills = Kills(two_workers.scheduler.process.pid)
    with pytest.raises(ClusterError, match=lost):
        analyse(campaign, ["1"], workers=who, prepare=kills)

    assert capfd.readouterr().err == ""


def test_clusters_that_cannot_work(
    campaign: Campaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One without workers, then with one that has another program of that name."""
    (tmp_path / "buffet.py").write_text("# none of ours\n", encoding="utf-8")
    with cluster(tmp_path, 0) as found:
        with monkeypatch.context() as patch:
            patch.setattr("buffet.workers.cluster.REACHED_WITHIN_S", 1)
            with pytest.raises(ClusterError, match="has no workers"):
                analyse(campaign, workers=Workers(cluster=found.address))
        found.add_worker(PYTHONPATH=str(tmp_path))
        with pytest.raises(ClusterError, match=r"worker tcp://\S+ of the cluster cannot load this"):
            analyse(campaign, workers=Workers(cluster=found.address))
