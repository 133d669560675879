"""Analyses over HTTP: the same documents as the command line's, followed as they are computed."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from click.testing import CliRunner

from buffet.cli import main
from buffet.service.jobs.requests import Part
from buffet.service.settings import ServiceSettings
from buffet.spectra_parts import WORDS
from tests.buffet.campaigns import two_configurations
from tests.buffet.schema_check import require_described
from tests.buffet.service.served import Served, serving, zipped


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small campaign."""
    return two_configurations(tmp_path_factory.mktemp("small") / "campaign", 30.0)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, folder: Path) -> Iterator[Served]:
    """A service that has it as campaign 1."""
    with serving(ServiceSettings(tmp_path_factory.mktemp("service"))) as running:
        assert running.upload(zipped(folder)).status_code == 201
        yield running


def started(served: Served, **request: Any) -> dict[str, Any]:
    """A job that was asked for."""
    answer = served.post("/api/campaigns/1/jobs", request)
    assert answer.status_code in (200, 202), answer.text
    found: dict[str, Any] = answer.json()
    return found


def printed(*words: object) -> str:
    """What the command prints, with as many cars drawn as it draws."""
    done = CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.mark.parametrize(
    ("place", "command", "settings"),
    [
        ("rating", "rate", {"speed": "120 km/h", "road": "B"}),
        ("table", "table", {"from": "100 km/h", "to": "140 km/h", "step": "20 km/h"}),
        ("comparison", "compare", {"speed": "120 km/h", "wind": "4 m/s"}),
    ],
)
def test_results_are_those_of_the_command_line(
    served: Served, folder: Path, place: str, command: str, settings: dict[str, str]
) -> None:
    """To the byte; before they are computed the answer says how to have them computed."""
    address = f"/api/campaigns/1/{place}"
    missing = served.client.get(address, params=settings)
    assert missing.status_code == 404
    told = missing.json()
    assert told["kind"] == "not-computed"
    job = served.ended(served.post(told["jobs"], told["request"]).json())
    assert job["state"] == "done", job["error"]
    answer = served.client.get(address, params=settings)
    options = [word for name, value in settings.items() for word in (f"--{name}", value)]
    assert answer.text == printed(command, folder, *options, "--json")
    require_described(answer.text)
    again = served.client.get(
        address, params=settings, headers={"If-None-Match": answer.headers["etag"]}
    )
    assert (again.status_code, again.content) == (304, b"")


def test_spectra_of_one_run_are_those_of_the_command_line(served: Served, folder: Path) -> None:
    """With a part, by the job's own result."""
    job = served.ended(started(served, kind="spectra", run="1", what=["lines"]))
    answer = served.client.get(job["result"])
    words = ("spectra", folder, "--run", "1", "--what", "lines", "--json")
    assert answer.text == printed(*words)


def test_parts_that_may_be_asked_for_are_those_of_the_command() -> None:
    """One list, told to two parsers."""
    assert get_args(Part) == WORDS


def test_progress_is_followed_and_taken_up_again(served: Served) -> None:
    """Events come in order, end with the job, and go on after the last one seen."""
    job = started(served, kind="rate", speed="101 km/h")
    with served.client.stream("GET", job["events"]) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        text = "".join(stream.iter_text())
    kinds = [line.removeprefix("event: ") for line in text.splitlines() if line.startswith("event")]
    assert kinds[:2] == ["queued", "started"]
    assert kinds[-1] == "done"
    numbers = [int(line[4:]) for line in text.splitlines() if line.startswith("id: ")]
    assert numbers == list(range(1, len(numbers) + 1))
    rest = served.client.get(job["events"], headers={"Last-Event-ID": str(numbers[-2])}).text
    assert [line for line in rest.splitlines() if line.startswith("id: ")] == [f"id: {numbers[-1]}"]


def test_the_same_analysis_is_computed_once(served: Served) -> None:
    """Asked for twice it is one job, which stands for all who ask."""
    first = started(served, kind="check")
    assert started(served, kind="check")["id"] == first["id"]
    served.ended(first)
    again = served.post("/api/campaigns/1/jobs", {"kind": "check"})
    assert (again.status_code, again.json()["id"]) == (200, first["id"])
    assert served.client.get("/api/campaigns/1/findings").json()["format"] == "buffet/check"


def test_a_job_is_cancelled_where_it_waits_and_where_it_runs(served: Served) -> None:
    """One worker: the second waits for the first; the worker goes on with a third."""
    first = started(served, kind="report", speed="111 km/h")
    second = started(served, kind="report", speed="112 km/h")
    third = started(served, kind="rate", speed="113 km/h")
    while served.client.get(first["address"]).json()["state"] == "queued":
        time.sleep(0.01)
    for job in (second, first):
        told = served.post(f"{job['address']}/cancel").json()
        assert told["state"] == "cancelled"
    assert served.ended(third)["state"] == "done"
    refused = served.post(f"{first['address']}/cancel")
    assert (refused.status_code, refused.json()["kind"]) == (409, "conflict")
    assert served.client.get(first["result"]).status_code == 404


def test_a_job_whose_worker_is_killed_runs_again(served: Served) -> None:
    """Twice; killed a third time it fails, and says so."""
    job = started(served, kind="report", speed="117 km/h")
    killed = 0
    while killed < 3:
        state = served.client.get(job["address"]).json()
        assert state["state"] in ("queued", "running"), state
        pids = served.service.pool.pids  # none until a worker is started
        if pids and state["state"] == "running" and state["attempts"] == killed + 1:
            os.kill(pids[0], signal.SIGKILL)
            killed += 1
        time.sleep(0.02)
    ended = served.ended(job)
    assert (ended["state"], ended["attempts"]) == ("failed", 3)
    assert "died 3 times" in ended["error"]
    assert served.ended(started(served, kind="rate", speed="113 km/h"))["state"] == "done"


def test_an_idle_worker_gives_its_memory_back(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends after a while, and another does the next job."""
    served.ended(started(served, kind="rate", speed="113 km/h"))
    served.ended(started(served, kind="spectra", run="0"))
    (before,) = served.service.pool.pids
    monkeypatch.setattr("buffet.service.jobs.pool.IDLE_S", 0.0)
    served.service.pool.wake()
    until = time.monotonic() + 20
    while served.service.pool.pids and time.monotonic() < until:
        time.sleep(0.05)
    assert served.service.pool.pids == []
    assert served.ended(started(served, kind="spectra", run="2"))["state"] == "done"
    assert before not in served.service.pool.pids


def test_files_are_to_keep(served: Served) -> None:
    """No browser shows one as a page of the service's; the browser's path takes a report home."""
    job = served.ended(started(served, kind="export", run="1", suffix="csv"))
    address = "/api/campaigns/1/runs/1/export"
    answer = served.client.get(address, params={"suffix": "csv"})
    assert answer.headers["content-disposition"] == 'attachment; filename="campaign-1-export.csv"'
    assert "sandbox" in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "lift" in answer.text
    assert served.client.get(job["result"]).content == answer.content


def test_an_analysis_that_cannot_be_says_why(served: Served) -> None:
    """In the words of the command, without the place where files were laid out."""
    job = served.ended(started(served, kind="rate", without_tunnel=True))
    assert job["state"] == "failed"
    assert "the tunnel's part cannot be taken out" in job["error"]
    assert str(served.service.settings.folder) not in json.dumps(job)


@pytest.mark.parametrize(
    ("request_document", "told"),
    [
        ({"kind": "rate", "speed": "130"}, "wanted a speed with its unit"),
        ({"kind": "rate", "speed": 130}, "wanted a speed with its unit"),
        ({"kind": "rate", "road": "../lane.csv"}, "wanted an ISO 8608 class"),
        ({"kind": "rate", "car": "/etc/passwd"}, "wanted one of small hatchback"),
        ({"kind": "rate", "criteria": "mine.toml"}, "Extra inputs are not permitted"),
        ({"kind": "table", "from": "9 m/s", "to": "8 m/s"}, "must not lie below"),
        ({"kind": "table", "step": "0.001 km/h"}, "choose a larger step"),
        ({"kind": "spectra", "run": "99"}, "has no run"),
        ({"kind": "guess"}, "kind is 'guess'; wanted one of 'spectra', "),
    ],
)
def test_what_cannot_be_asked_is_refused_at_once(
    served: Served, request_document: dict[str, Any], told: str
) -> None:
    """With one problem document; no setting names a file."""
    answer = served.post("/api/campaigns/1/jobs", request_document)
    assert answer.status_code in (404, 422)
    assert answer.headers["content-type"] == "application/problem+json"
    assert told in answer.json()["detail"]
