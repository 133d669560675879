"""A signal stops a real server: streams end, jobs wait for the next one, and all is told."""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from buffet.service.database.engine import reading
from buffet.service.jobs import queue
from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import run_buffet, two_configurations
from tests.buffet.service.databases import opened
from tests.buffet.service.process import Server, running
from tests.buffet.service.served import zipped

SOON_S = 5.0
ZIP = {"Content-Type": "application/zip"}


def started_job(client: httpx.Client, campaign: bytes) -> int:
    """A board's, under way in a worker."""
    given = client.post("/api/campaigns", content=campaign, headers=ZIP)
    assert given.status_code == 201, given.text
    return int(
        client.post(f"{given.headers['Location']}/jobs", json={"kind": "board"}).json()["id"]
    )


def until_started(lines: Iterator[str]) -> None:
    """The next lines of an event stream, until the job is with a worker."""
    assert any(line == "event: started" for line in lines)


def test_a_signal_stops_it_within_seconds(tmp_path: Path) -> None:
    """With an event stream open and an analysis running, which goes back into the queue."""
    campaign = zipped(two_configurations(tmp_path / "campaign", seconds=20))
    with (
        running(Server.of(ServiceSettings(tmp_path / "service"))) as server,
        server.client() as client,
    ):
        job_id = started_job(client, campaign)
        with client.stream("GET", f"/api/jobs/{job_id}/events") as stream:
            lines = stream.iter_lines()
            until_started(lines)
            asked = time.monotonic()
            server.process.send_signal(signal.SIGTERM)
            rest = list(lines)  # the answer comes to its proper end
            assert time.monotonic() - asked < SOON_S
        assert server.process.wait(SOON_S) == 0

    assert not [line for line in rest if line in ("event: done", "event: failed")]
    with opened(ServiceSettings(tmp_path / "service")) as engine, reading(engine) as connection:
        job = queue.job(connection, job_id)
    assert (job.state, job.attempts) == ("queued", 0)
    log = [json.loads(line) for line in server.log.read_text().splitlines() if line[0] == "{"]
    messages = [entry["message"] for entry in log]
    assert messages[-1] == "stopped"
    assert f"job {job_id} goes back into the queue" in messages
    (followed,) = [entry for entry in log if str(entry.get("path", "")).endswith("/events")]
    assert (followed["status"], followed["user"]) == (200, "local")


def test_a_second_signal_ends_it_at_once(tmp_path: Path) -> None:
    """Though a request is still being sent, for which it would wait; workers end by themselves."""
    with (
        running(Server.of(ServiceSettings(tmp_path / "service"))) as server,
        server.client() as client,
    ):
        with pytest.raises(httpx.TransportError):
            client.post("/api/campaigns", content=slowly(server), headers=ZIP)
        assert server.process.wait(SOON_S) == 1


def slowly(server: Server) -> Iterator[bytes]:
    """A body during which the server is told to stop, twice, as by Ctrl-C."""
    yield b"PK"
    time.sleep(0.5)
    server.process.send_signal(signal.SIGINT)
    time.sleep(1.0)
    assert server.process.poll() is None  # the answer under way holds it
    server.process.send_signal(signal.SIGINT)
    while True:
        yield b"PK"
        time.sleep(0.1)


def test_a_certificate_that_is_none_is_told_in_words(tmp_path: Path) -> None:
    """Which file, and what was wanted, before anything is opened."""
    good, bad = tmp_path / "good.pem", tmp_path / "bad.pem"
    bad.write_text("no certificate")
    for certificate, told in ((good, "good.pem: cannot be read: No such file"), (bad, "PEM files")):
        options = ("--tls-certificate", str(certificate), "--tls-key", str(bad))
        done = run_buffet("serve", str(tmp_path / "service"), *options)
        assert (done.exit_code, done.stdout) == (1, "")
        assert told in done.stderr
    assert not (tmp_path / "service").exists()
