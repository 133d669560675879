"""A full disk: told as such, nothing acknowledged is lost, and it goes on when there is room.

What a full disk answers is given by hand here, to the server's own writes; SQLite is held to the
pages that it has. `python -m tests.thorough disk` fills a real one.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import Connection, event

from buffet.service.blobs import Blobs
from buffet.service.intake import disk
from buffet.service.jobs import pool, queue
from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import two_configurations
from tests.buffet.service.served import Served, serving, zipped

MOST_TRIES = 60  # rows that the pages which SQLite has may still take


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A small campaign."""
    return zipped(two_configurations(tmp_path_factory.mktemp("small") / "campaign", 4.0))


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, archive: bytes) -> Iterator[Served]:
    """A service that has it as campaign 1."""
    with serving(ServiceSettings(tmp_path_factory.mktemp("service"))) as running:
        assert running.upload(archive).status_code == 201
        yield running


def full(*arguments: Any, **named: Any) -> Any:
    """What a full disk says."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def contents(served: Served) -> set[str]:
    """Digests of what is kept."""
    return {path.name for path in served.service.settings.places.blobs.glob("??/*")}


def test_uploads_answer_507_and_leave_nothing(
    served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the body cannot be written, and where its files cannot be kept; then there is room."""
    other, before = zipped(two_configurations(tmp_path / "campaign", 5.0)), contents(served)
    shim = SimpleNamespace(**{name: getattr(os, name) for name in dir(os)} | {"write": full})
    for patch in (lambda m: m.setattr(disk, "os", shim), lambda m: m.setattr(Blobs, "adopt", full)):
        with monkeypatch.context() as context:
            patch(context)
            answer = served.upload(other)
            assert (answer.status_code, answer.json()["kind"]) == (507, "no-space"), answer.text
            assert served.client.get("/api/campaigns/1").status_code == 200
        places = served.service.settings.places
        assert [*places.incoming.iterdir(), *places.scratch.iterdir()] == []
    served.service.sweep()
    assert contents(served) == before
    assert served.upload(other).status_code == 201


def test_a_database_without_room_says_so_and_keeps_what_it_has(served: Served) -> None:
    """Each job that was acknowledged is there; the one that was refused is not."""

    def hold(connection: Connection) -> None:
        connection.exec_driver_sql("PRAGMA max_page_count = 1")  # as many as there are

    def freed(connection: Connection) -> None:
        connection.exec_driver_sql(f"PRAGMA max_page_count = {2**31}")

    event.listen(served.service.engine, "begin", hold)
    try:
        done, answer = 0, served.post("/api/campaigns/1/jobs", asked(0))
        while answer.status_code == 202:
            done += 1
            assert done < MOST_TRIES
            answer = served.post("/api/campaigns/1/jobs", asked(done))
        assert (answer.status_code, answer.json()["kind"]) == (507, "no-space"), answer.text
        listed = served.client.get("/api/jobs?limit=200").json()["items"]
        assert len(listed) == done
    finally:
        event.remove(served.service.engine, "begin", hold)
        event.listen(served.service.engine, "begin", freed)
    assert served.post("/api/campaigns/1/jobs", asked(done)).status_code == 202
    for job in served.client.get("/api/jobs?limit=200").json()["items"]:
        served.post(f"{job['address']}/cancel")


def asked(number: int) -> dict[str, Any]:
    """A job that no other one is like."""
    return {"kind": "report", "speed": f"{100 + number} km/h"}


def test_a_job_whose_result_has_no_room_fails_and_says_so(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked for again when there is room, it is computed."""
    with monkeypatch.context() as context:
        context.setattr(Blobs, "adopt", full)
        job = served.ended(served.post("/api/campaigns/1/jobs", {"kind": "check"}).json())
    assert (job["state"], job["error"]) == ("failed", "the server's disk is full")
    again = served.ended(served.post("/api/campaigns/1/jobs", {"kind": "check"}).json())
    assert again["state"] == "done"
    assert served.client.get(again["result"]).status_code == 200


def test_a_job_whose_end_cannot_be_written_runs_again(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The catalogue has no room while it runs: it goes on by itself when there is."""
    monkeypatch.setattr(pool, "REST_S", 0.2)
    with monkeypatch.context() as context:
        context.setattr(queue, "keep", full)
        context.setattr(queue, "put_back", full)
        job = served.post("/api/campaigns/1/jobs", {"kind": "export", "run": "1"}).json()
        until = time.monotonic() + 60.0
        while served.client.get(job["address"]).json()["state"] == "queued":
            assert time.monotonic() < until
            time.sleep(0.02)
        while served.service.pool.pids:  # killed once its end could not be written
            assert time.monotonic() < until
            time.sleep(0.02)
        time.sleep(0.5)
        assert served.client.get(job["address"]).json()["state"] == "running"
    ended = served.ended(job)
    assert (ended["state"], ended["attempts"]) == ("done", 1)
