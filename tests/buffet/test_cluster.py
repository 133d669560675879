"""Runs read on a Dask cluster of this machine, as many would be: the same results, and losses."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from buffet import documents
from buffet.analysis import analyse
from buffet.errors import ClusterError
from buffet.one_pass import AnalysisSettings
from buffet.peak_search import shedding_peaks
from buffet.rating.rate import FOR_RATING
from buffet.recipes import SpectraRecipe
from buffet.spectra_outputs import spectra_document
from buffet.workers.choice import HERE, Workers
from buffet.workers.cluster import Common
from ingest import Campaign, open_campaign
from tests.buffet.campaigns import lift_run, run_buffet, wind_off, write_runs
from tests.buffet.dask_processes import Cluster, cluster
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


def test_a_run_that_kills_workers_fails_alone(campaign: Campaign, tmp_path: Path) -> None:
    """With a scheduler that gives a run one worker and no more."""
    allowed = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}
    with cluster(tmp_path, **allowed) as found:
        workers = Workers(cluster=found.address)
        analysed = analyse(campaign, workers=workers, prepare=Dies("2"))

    assert [run.run.number for run in analysed.runs] == ["1"]
    assert analysed.failed[0].run == "2"
    assert "workers of the cluster ended while they read it" in analysed.failed[0].error


def test_nobody_there(campaign: Campaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No scheduler, no address, no workers, no Dask: each has its message."""
    monkeypatch.setattr("buffet.workers.cluster.REACHED_WITHIN_S", 1)
    for address in ("tcp://127.0.0.1:1", "nowhere at all"):
        with pytest.raises(ClusterError, match="no Dask scheduler answers at") as caught:
            analyse(campaign, workers=Workers(cluster=address))
        assert f"dask worker {address}" in str(caught.value)
    with cluster(tmp_path, 0) as empty, pytest.raises(ClusterError, match="has no workers"):
        analyse(campaign, workers=Workers(cluster=empty.address))
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = run_buffet("check", campaign.folder, "--cluster", "tcp://127.0.0.1:1")
    assert done.exit_code == 1
    assert 'pip install "buffeting[cluster]"' in done.stderr


def test_workers_without_the_program_are_told(campaign: Campaign, tmp_path: Path) -> None:
    """Which one, and what to do."""
    (tmp_path / "buffet.py").write_text("# another program of that name\n", encoding="utf-8")
    with cluster(tmp_path, 0) as found:
        found.add_worker(PYTHONPATH=str(tmp_path))
        with pytest.raises(ClusterError, match=r"worker tcp://\S+ of the cluster cannot load this"):
            analyse(campaign, workers=Workers(cluster=found.address))
