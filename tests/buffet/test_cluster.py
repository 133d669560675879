"""Runs read on a Dask cluster of this machine, as many would be: the same results, and losses."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
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
from buffet.spectra_outputs import spectra_document
from buffet.workers.choice import HERE, Workers
from buffet.workers.cluster import ClusterCrew, Common
from buffet.workers.parcels import Shared
from buffet.workers.ranges import ranges_of
from ingest import Campaign, Run, open_campaign
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
    """Of which the last test but a few kills one."""
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
    """No scheduler, no address, no Dask: each has its message."""
    monkeypatch.setattr("buffet.workers.cluster.REACHED_WITHIN_S", 1)
    for address in ("tcp://127.0.0.1:1", "nowhere at all"):
        with pytest.raises(ClusterError, match="no Dask scheduler answers at") as caught:
            analyse(campaign, workers=Workers(cluster=address))
        assert f"dask worker {address}" in str(caught.value)
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = run_buffet("check", campaign.folder, "--cluster", "tcp://127.0.0.1:1")
    assert done.exit_code == 1
    assert 'pip install "buffeting[cluster]"' in done.stderr


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
