"""Runs read by several processes: the same results, and what happens where one of them dies."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

import buffet
from buffet import documents
from buffet.analysis import CampaignAnalysis, analyse
from buffet.errors import RecordTooShortError
from buffet.one_pass import AnalysisSettings
from buffet.peak_search import shedding_peaks
from buffet.rating.rate import FOR_RATING, RatingSettings, rate
from buffet.recipes import SpectraRecipe
from buffet.run_analysis import RunAnalysis
from buffet.spectra_outputs import spectra_document
from buffet.workers.choice import FEWEST_RUNS, HERE, Workers
from buffet.workers.crew import in_order
from buffet.workers.process import WorkerProcess
from ingest import Campaign, Run, open_campaign
from tests.buffet.campaigns import FEW_CARS, lift_run, run_buffet, wind_off, write_runs

TWO = Workers(2)
IN_TURN = Workers(2, memory_bytes=1.0)  # never two at once
SECONDS = 20.0


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    """A wind-off run that all wind-on runs name, and two configurations, one run twice."""
    runs = [
        replace(lift_run(number, rms, name, SECONDS), zero="0")
        for number, rms, name in (("1", 0.03, "bare"), ("2", 0.015, "spoiler"), ("3", 0.03, "bare"))
    ]
    folder = tmp_path_factory.mktemp("workers") / "c"
    return open_campaign(write_runs(folder, [wind_off("0"), *runs]))


@pytest.fixture(scope="module")
def told() -> list[str]:
    """Lines of progress of `by_two`."""
    return []


@pytest.fixture(scope="module")
def by_two(campaign: Campaign, told: list[str]) -> CampaignAnalysis:
    """As a rating asks for it."""
    settings = AnalysisSettings(keeps=FOR_RATING)
    return analyse(campaign, None, settings, told.append, workers=TWO, prepare=shedding_peaks())


def rated(analysis: CampaignAnalysis, monkeypatch: pytest.MonkeyPatch) -> str:
    """The rating as JSON."""
    monkeypatch.setattr("buffet.rating.car_spread.DRAWS", FEW_CARS)
    rating = rate(analysis, RatingSettings(130 / 3.6, up_to_m_s=40.0))
    return documents.dumps(documents.rating_document(rating))


def test_one_and_two_workers_rate_alike(
    campaign: Campaign, by_two: CampaignAnalysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Byte for byte; the peaks were found by the workers."""
    alone = analyse(campaign, settings=AnalysisSettings(keeps=FOR_RATING))

    assert all(run.fits for run in by_two.runs)
    assert rated(alone, monkeypatch) == rated(by_two, monkeypatch)


def test_workers_say_the_same_of_spectra(campaign: Campaign) -> None:
    """Byte for byte, without lines."""
    recipe = SpectraRecipe("1", ("spectrum",), without_lines=True)
    told = [
        documents.dumps(spectra_document(*recipe.analysed(campaign, lambda text: None, who)))
        for who in (HERE, TWO)
    ]

    assert told[0] == told[1]


def test_what_is_shared_comes_back_once(campaign: Campaign, by_two: CampaignAnalysis) -> None:
    """Noise names the wind-off run's own spectra; sheets are the campaign's; arrays are locked."""
    (off,) = by_two.wind_off
    for analysed, run in zip(by_two.runs, campaign.wind_on, strict=True):
        assert analysed.run is run
        assert analysed.noise[0].segments is off.spectra
        with pytest.raises(ValueError, match="read-only"):
            analysed.spectra.psd[0, 0] = 0.0


def test_progress_counts_all_runs(by_two: CampaignAnalysis, told: list[str]) -> None:
    """One line a run as it begins, the wind-off run first."""
    assert told == ["run 0 (1 of 4)", "run 1 (2 of 4)", "run 2 (3 of 4)", "run 3 (4 of 4)"]


@dataclass(frozen=True)
class Dies:
    """Kills the worker that reads one run, the first time or every time."""

    number: str
    once: Path | None = None

    def __call__(self, analysis: RunAnalysis) -> None:
        """In the worker."""
        if analysis.run.number == self.number and not (self.once and self.once.exists()):
            if self.once:
                self.once.touch()
            os.kill(os.getpid(), signal.SIGKILL)


def test_a_killed_worker_costs_at_most_its_run(campaign: Campaign, tmp_path: Path) -> None:
    """Which is read again by another, and given up where that dies, too; it is told how."""
    once = Dies("2", tmp_path / "died")
    found = analyse(campaign, ["2"], workers=TWO, prepare=once)
    lost = analyse(campaign, ["1", "2"], workers=IN_TURN, prepare=Dies("2"))

    assert once.once
    assert once.once.exists()
    assert [run.run.number for run in found.runs] == ["2"]
    assert not found.failed
    assert [run.run.number for run in lost.runs] == ["1"]
    (failure,) = lost.failed
    assert failure.run == "2"
    assert "so did a second one: it was ended by SIGKILL" in failure.error
    assert "--memory" in failure.error


def test_a_damaged_recording_fails_alone(campaign: Campaign, tmp_path: Path) -> None:
    """With the words that one process has for it."""
    runs = [lift_run("1", 0.03, seconds=SECONDS), lift_run("2", 0.03, seconds=SECONDS)]
    folder = write_runs(tmp_path / "c", runs)
    (folder / "runs" / "1.csv").write_text("drag,lift,pitch moment\n1,2\n", encoding="utf-8")
    alone, two = (analyse(open_campaign(folder), workers=who) for who in (HERE, IN_TURN))

    assert [one.run for one in two.failed] == ["1"]
    assert two.failed == alone.failed
    assert [run.run.number for run in two.runs] == ["2"]


def test_a_resolution_out_of_reach_is_the_same_error(campaign: Campaign) -> None:
    """Word for word, from the other process."""
    settings = AnalysisSettings(resolution_hz=0.05)
    errors = []
    for who in (HERE, TWO):
        with pytest.raises(RecordTooShortError) as caught:
            analyse(campaign, ["1"], settings=settings, workers=who)
        errors.append(str(caught.value))

    assert errors[0].startswith("run 1: a resolution of 0.05 Hz needs")
    assert errors[0] == errors[1]


def _stumbles(analysis: RunAnalysis) -> None:
    raise KeyError("planted")


def test_an_error_of_the_program_is_no_failed_run(campaign: Campaign) -> None:
    """It is raised here, with the place in the worker."""
    with pytest.raises(KeyError, match="planted") as caught:
        analyse(campaign, workers=TWO, prepare=_stumbles)

    assert "in _stumbles" in "".join(caught.value.__notes__)


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Numbers of the processes that are started."""
    pids: list[int] = []

    class Noted(WorkerProcess):
        def __init__(self, shared: bytes, scratch: str | None = None) -> None:
            super().__init__(shared, scratch)
            pids.append(self.pid)

    monkeypatch.setattr("buffet.workers.processes.WorkerProcess", Noted)
    return pids


def is_there(pid: int) -> bool:
    """Whether a process runs; our own dead children were waited for."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_an_interrupt_leaves_nobody_behind(campaign: Campaign, started: list[int]) -> None:
    """Ctrl-C while two runs are being read."""

    def interrupt(text: str) -> None:
        if "3 of 4" in text:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        analyse(campaign, progress=interrupt, workers=TWO)

    assert started
    assert not any(map(is_there, started))


def test_workers_end_with_whoever_started_them() -> None:
    """Also where that one is killed and can end nobody."""
    code = (
        "from buffet.workers.process import WorkerProcess\n"
        "one = WorkerProcess(b'')\nprint(one.pid, flush=True)\nimport os; os.kill(os.getpid(), 9)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    pid, until = int(done.stdout), time.monotonic() + 20.0
    while is_there(pid) and not _is_zombie(pid) and time.monotonic() < until:
        time.sleep(0.05)

    assert not is_there(pid) or _is_zombie(pid)


def _is_zombie(pid: int) -> bool:
    """Dead, where nobody waits for orphans."""
    stat = Path(f"/proc/{pid}/stat")
    return stat.exists() and stat.read_text().rpartition(")")[2].split()[0] == "Z"


def test_outcomes_come_in_the_order_of_the_runs(campaign: Campaign) -> None:
    """Whichever was done first, and not before all before it are there."""
    runs = campaign.runs
    passed: list[str] = []

    def done() -> Iterator[tuple[Run, Exception]]:
        for index in (2, 0, 3, 1):
            passed.append(f"done {index}")
            yield runs[index], ValueError()

    for run, _ in in_order(runs, done()):
        passed.append(f"told {run.number}")

    early, late = ["done 2", "done 0", "told 0"], ["done 3", "done 1", "told 1"]
    assert passed == [*early, *late, "told 2", "told 3"]


@pytest.mark.parametrize(
    ("count", "n_runs", "expected"),
    [(1, 50, 1), (3, 50, 3), (4, 2, 2), (None, FEWEST_RUNS - 1, 1), (None, 50, 32), (None, 9, 9)],
)
def test_how_many_processes(
    count: int | None, n_runs: int, expected: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As many as asked for, or one a core; never more than runs."""
    monkeypatch.setattr("buffet.workers.choice.cores", lambda: 32)
    assert Workers(count).processes(n_runs) == expected


def test_nobody_cannot_work() -> None:
    """Of the front page; the command line has its own words."""
    with pytest.raises(ValueError, match="got 0 workers; give 1 or more"):
        buffet.analyse("nowhere", workers=0)
    with pytest.raises(ValueError, match="got -1 bytes of memory"):
        Workers(memory_bytes=-1)


@pytest.mark.parametrize(
    ("wrong", "error", "told"),
    [
        ({"workers": "2"}, TypeError, r"got workers='2'; give a whole number, or None"),
        ({"workers": 2.5}, TypeError, r"got workers=2\.5; give a whole number"),
        ({"memory_bytes": "4 GB"}, TypeError, r"got memory_bytes='4 GB'; give a number, for ex"),
        ({"cluster": 8786}, TypeError, r"got cluster=8786; give its address"),
        ({"workers": 2, "cluster": "tcp://a:1"}, ValueError, "a cluster has workers of its own"),
        ({"memory_bytes": 4e9, "cluster": "tcp://a:1"}, ValueError, "a cluster has workers of its"),
    ],
)
def test_workers_that_cannot_be_meant(
    wrong: dict[str, Any], error: type[Exception], told: str
) -> None:
    """Of the front page, told before the campaign is looked for."""
    with pytest.raises(error, match=told):
        buffet.analyse("nowhere", **wrong)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--workers", "0"), "0 is not in the range"),
        (("--memory", "4"), 'wanted an amount of memory, for example "4 GB"'),
        (("--memory", "4 GiBi"), "wanted an amount of memory"),
        (("--memory", "0 GB"), "wanted an amount of memory"),
        (("--cluster", "tcp://127.0.0.1:1", "--workers", "2"), "no --workers or --memory"),
    ],
)
def test_options_that_cannot_be_meant(
    options: Sequence[str], told: str, campaign: Campaign
) -> None:
    """Wrong usage, told before anything is read."""
    done = run_buffet("check", campaign.folder, *options)

    assert done.exit_code == 2
    assert told in " ".join(done.stderr.split())
