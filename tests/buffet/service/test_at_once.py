"""Many change the same thing at once, in both databases: nothing is lost or comes twice."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

import httpx
import pytest

from buffet.service import changes, trees
from buffet.service.intake.inspection import inspect
from buffet.service.intake.zip_files import unpack
from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import lift_run, two_configurations
from tests.buffet.service.served import Served, serving, zipped
from tests.ingest.campaigns import toml

SECONDS = 4.0
CLIENTS = 10
RUNS = 20
T = TypeVar("T")


@pytest.fixture
def served(settings: ServiceSettings, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """An empty service without workers; it looks at files itself: a tenth of the time."""
    monkeypatch.setattr(trees, "inspect_limited", inspect)
    monkeypatch.setattr(changes, "unpack_limited", unpack)
    with serving(settings, workers=0) as running:
        yield running


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A small campaign."""
    return zipped(two_configurations(tmp_path_factory.mktemp("small") / "campaign", SECONDS))


def at_once(actions: list[Callable[[], T]]) -> list[T]:
    """What all of them give, begun together."""
    begin = threading.Barrier(len(actions))

    def one(action: Callable[[], T]) -> T:
        begin.wait()
        return action()

    with ThreadPoolExecutor(len(actions)) as pool:
        return list(pool.map(one, actions))


def contents(served: Served) -> set[str]:
    """Digests of what is kept."""
    return {path.name for path in served.service.settings.places.blobs.glob("??/*")}


def named(served: Served) -> set[str]:
    """Digests of what the listed campaigns hold; each of them comes back whole."""
    digests = set()
    for one in served.client.get("/api/campaigns").json()["items"]:
        files = served.client.get(f"{one['address']}/files").json()
        digests |= {file["sha256"] for file in files}
        assert served.client.get(f"{one['address']}/archive").status_code == 200
    return digests


def run_parts(number: str) -> list[tuple[str, Any]]:
    """A run as a form's parts."""
    run = lift_run(number, 0.02, "lip", SECONDS)
    return [
        ("sheet", (f"{number}.toml", toml(run.sheet()), "text/plain")),
        ("recording", (f"{number}.csv", run.recording(), "text/csv")),
    ]


def test_the_same_campaign_from_ten_is_one(served: Served, archive: bytes) -> None:
    """One of them is told that it is new, and once it is written down."""
    answers = at_once([lambda: served.upload(archive)] * CLIENTS)
    assert sorted(answer.status_code for answer in answers) == [200] * (CLIENTS - 1) + [201]
    assert {answer.headers["location"] for answer in answers} == {"/api/campaigns/1"}
    assert len(served.client.get("/api/campaigns").json()["items"]) == 1
    log = served.client.get("/api/audit").json()["items"]
    assert [one["action"] for one in log] == ["upload campaign"]
    assert list(served.service.settings.places.incoming.iterdir()) == []


def test_runs_from_twenty_are_all_there(served: Served, archive: bytes) -> None:
    """Each is a revision of its own; health and lists are answered meanwhile."""
    served.upload(archive)
    numbers = [str(number) for number in range(10, 10 + RUNS)]

    def add(number: str) -> Callable[[], httpx.Response]:
        return lambda: served.post("/api/campaigns/1/runs", files=run_parts(number))

    answers = at_once([*map(add, numbers), lambda: served.client.get("/healthz", timeout=5.0)])
    assert [answer.status_code for answer in answers] == [201] * RUNS + [200]
    told = served.client.get("/api/campaigns/1").json()
    assert (told["revision"], told["runs"]) == (1 + RUNS, 3 + RUNS)
    runs = served.client.get("/api/campaigns/1/runs").json()["items"]
    assert [one["number"] for one in runs] == ["0", "1", "2", *numbers]
    assert named(served) == contents(served)


def test_deleted_while_it_comes_again_it_is_there_or_gone(served: Served, archive: bytes) -> None:
    """Whoever was told that it is in finds it whole, however often it was deleted meanwhile."""
    done = threading.Event()
    served.upload(archive)

    def delete() -> None:
        while not done.is_set():
            for one in served.client.get("/api/campaigns").json()["items"]:
                assert served.delete(one["address"]).status_code in (204, 404)
                gone = served.delete(f"/api/bin/campaigns/{one['id']}").status_code
                assert gone in (204, 404)

    def upload() -> list[httpx.Response]:
        try:
            return [served.upload(archive) for _ in range(6)]
        finally:
            done.set()

    _, answers = at_once([delete, upload])  # type: ignore[list-item]
    assert answers is not None
    assert {answer.status_code for answer in answers} <= {200, 201}
    served.upload(archive)
    assert len(served.client.get("/api/campaigns").json()["items"]) == 1
    assert named(served) == contents(served)


def test_runs_that_come_while_their_campaign_goes_are_in_it_or_refused(
    served: Served, archive: bytes
) -> None:
    """Into the bin and away for good; never an error of the program."""
    served.upload(archive)

    def away() -> list[int]:
        first = served.delete("/api/campaigns/1").status_code
        return [first, served.delete("/api/bin/campaigns/1").status_code]

    def run(number: str) -> Callable[[], list[int]]:
        return lambda: [served.post("/api/campaigns/1/runs", files=run_parts(number)).status_code]

    def into_bin() -> list[int]:
        return [served.delete("/api/campaigns/1/runs/2").status_code]

    gone, *others = at_once([away, run("7"), run("8"), run("9"), into_bin])
    assert gone == [204, 204]
    assert {status for found in others for status in found} <= {201, 204, 404, 409}
    served.service.sweep()
    assert contents(served) == set()


def test_jobs_of_a_campaign_that_goes_into_the_bin_all_end(served: Served, archive: bytes) -> None:
    """Each that was acknowledged is cancelled; none is left waiting for what is not there."""
    served.upload(archive)

    def start(speed: int) -> Callable[[], httpx.Response]:
        asked = {"kind": "rate", "speed": f"{speed} km/h"}
        return lambda: served.post("/api/campaigns/1/jobs", asked)

    answers = at_once([*map(start, range(100, 112)), lambda: served.delete("/api/campaigns/1")])
    assert answers[-1].status_code == 204
    begun = [answer.json() for answer in answers[:-1] if answer.status_code == 202]
    assert {answer.status_code for answer in answers[:-1]} <= {202, 404}
    assert {served.client.get(job["address"]).json()["state"] for job in begun} <= {"cancelled"}
    numbers = [job["id"] for job in begun]
    assert len(set(numbers)) == len(numbers)


def test_the_same_analysis_from_ten_is_one_job(served: Served, archive: bytes) -> None:
    """Started, then cancelled by all of them at once: it ends once."""
    served.upload(archive)
    asked = {"kind": "rate", "speed": "120 km/h"}
    answers = at_once([lambda: served.post("/api/campaigns/1/jobs", asked)] * CLIENTS)
    assert {answer.json()["id"] for answer in answers} == {1}
    assert sorted(answer.status_code for answer in answers) == [200] * (CLIENTS - 1) + [202]
    ends = at_once([lambda: served.post("/api/jobs/1/cancel")] * CLIENTS)
    assert sorted(end.status_code for end in ends) == [200] + [409] * (CLIENTS - 1)
    kinds = served.client.get("/api/jobs/1/events").text.count("event: cancelled")
    assert kinds == 1


def test_what_is_taken_in_is_not_swept(served: Served, tmp_path: Path) -> None:
    """Sweeping goes on all the while different campaigns come in."""
    done = threading.Event()
    archives = [
        zipped(two_configurations(tmp_path / str(number), SECONDS + number)) for number in range(4)
    ]

    def sweep() -> list[httpx.Response]:
        while not done.is_set():
            served.service.sweep()
        return []

    def upload() -> list[httpx.Response]:
        try:
            return [served.upload(archive) for archive in archives]
        finally:
            done.set()

    _, answers = at_once([sweep, upload])
    assert [answer.status_code for answer in answers] == [201] * len(archives)
    served.service.sweep()
    assert named(served) == contents(served)
