"""What a service tells whoever runs it: requests and jobs, in logs and in metrics."""

from __future__ import annotations

import asyncio
import json
import logging
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from buffet.service.access.roles import Role
from buffet.service.access.tokens import make
from buffet.service.api import operations
from buffet.service.app import guarded
from buffet.service.database.engine import writing
from buffet.service.errors import FolderError
from buffet.service.jobs import queue
from buffet.service.jobs.notes import note
from buffet.service.logs import JsonLines, TextLines, configure
from buffet.service.settings import ServiceSettings
from buffet.service.state import Service
from tests.buffet.service.filling import fill, service_of

HOST = "http://127.0.0.1:8000"


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """With a campaign; without a server or workers."""
    settings = ServiceSettings(tmp_path / "service")
    fill(settings)
    with service_of(settings) as opened:
        yield opened


@pytest.fixture
def token(service: Service) -> str:
    """A reader's."""
    with writing(service.engine) as connection:
        return make(connection, "scraper", Role.READER, time.time(), 1000.0)[0]


def asked(service: Service, *requests: tuple[str, str], **headers: str) -> list[httpx.Response]:
    """Answers to requests that pass through the guard."""

    async def all_of_them() -> list[httpx.Response]:
        transport = httpx.ASGITransport(app=guarded(service), raise_app_exceptions=False)  # type: ignore[arg-type]
        async with httpx.AsyncClient(transport=transport, base_url=HOST) as client:
            return [
                await client.request(method, path, headers=headers) for method, path in requests
            ]

    return asyncio.run(all_of_them())


def samples(service: Service) -> dict[str, float]:
    """Metrics by name and labels, read by the library's own parser."""
    text = service.metrics.text().decode()
    return {
        f"{one.name}{json.dumps(one.labels, sort_keys=True)}": one.value
        for family in text_string_to_metric_families(text)
        for one in family.samples
    }


def lines(caplog: pytest.LogCaptureFixture, logger: str) -> list[dict[str, Any]]:
    """What a logger told, as it is written to standard error."""
    return [json.loads(JsonLines().format(one)) for one in caplog.records if one.name == logger]


def test_each_request_is_told_without_its_secrets(
    service: Service, token: str, caplog: pytest.LogCaptureFixture
) -> None:
    """User, path, status, duration, size and a number; refused ones, too."""
    caplog.set_level("INFO")
    good = f"Bearer {token}"
    (found,) = asked(service, ("GET", "/api/campaigns/1?search=secret"), Authorization=good)
    (refused,) = asked(service, ("GET", "/api/campaigns"), Authorization="Bearer buffet_wrong")
    (odd,) = asked(service, ("GET", f"/api/{token}"), Cookie="buffet_session=hidden")

    told = lines(caplog, "buffet.service.requests")
    assert [one["status"] for one in told] == [200, 401, odd.status_code]
    assert (told[0]["user"], told[0]["method"]) == ("scraper", "GET")
    assert told[0]["path"] == "/api/campaigns/1"
    assert told[0]["bytes"] == len(found.content)
    assert told[1]["user"] is None
    assert refused.headers["x-request-id"] != found.headers["x-request-id"]
    assert re.fullmatch(r"[0-9a-f]{16}", found.headers["x-request-id"])
    everything = json.dumps(told)
    for secret in (token, "secret", "buffet_wrong", "hidden"):
        assert secret not in everything


def test_an_error_in_the_log_has_its_requests_number(
    service: Service, token: str, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also from the threads that answer."""

    def broken(*arguments: Any, **options: Any) -> None:
        raise RuntimeError("broken inside")

    monkeypatch.setattr(queue, "jobs", broken)
    formatted: list[str] = []
    handler = logging.Handler()
    handler.emit = lambda record: formatted.append(JsonLines().format(record))  # type: ignore[method-assign]
    logging.getLogger("buffet.service").addHandler(handler)
    try:
        (answer,) = asked(service, ("GET", "/api/jobs"), Authorization=f"Bearer {token}")
    finally:
        logging.getLogger("buffet.service").removeHandler(handler)

    assert answer.status_code == 500
    told = [json.loads(one) for one in formatted]
    (error,) = [one for one in told if "exception" in one]
    assert error["request"] == answer.headers["x-request-id"]
    assert "broken inside" in error["exception"]
    assert "broken inside" not in answer.text


def test_health_tells_nobody_where_the_database_is(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Everybody may ask for it: the place is for the log."""

    def unreachable(engine: Any) -> Any:
        raise FolderError("the database buffet@db.example cannot be used: refused")

    monkeypatch.setattr(operations, "reading", unreachable)
    (answer,) = asked(service, ("GET", "/healthz"))
    assert (answer.status_code, answer.json()["kind"]) == (503, "unavailable")
    assert "db.example" not in answer.text


def test_metrics_are_for_whom_has_a_token(service: Service, token: str) -> None:
    """In Prometheus' text format; labels are routes, never paths."""
    (nobody,) = asked(service, ("GET", "/metrics"))
    paths = [("GET", f"/api/campaigns/{i}") for i in (1, 2, 3)] + [("BREW", "/x"), ("GET", "/y")]
    asked(service, *paths, Authorization=f"Bearer {token}")
    (given,) = asked(service, ("GET", "/metrics"), Authorization=f"Bearer {token}")

    assert nobody.status_code == 401
    assert given.headers["content-type"].startswith("text/plain; version=0.0.4")
    assert list(text_string_to_metric_families(given.text))
    found = samples(service)
    route = '"route": "/api/campaigns/{campaign_id}"'
    assert found[f'buffet_requests_total{{"method": "GET", {route}, "status": "200"}}'] == 1
    assert found[f'buffet_requests_total{{"method": "GET", {route}, "status": "404"}}'] == 2
    assert found[f'buffet_request_duration_seconds_count{{"method": "GET", {route}}}'] == 3
    assert not [name for name in found if "BREW" in name or "/x" in name or "campaigns/1" in name]
    assert found["buffet_campaigns{}"] == 1
    assert found["buffet_disk_free_bytes{}"] > 0
    assert found["buffet_workers{}"] == 0


def test_a_jobs_life_is_told_and_counted(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    """Its start, its worker's death, its end; once each."""
    caplog.set_level("INFO")

    def add(key: str) -> queue.Job:
        with writing(service.engine) as connection:
            return queue.add(connection, 1, "rate", {}, key * 64, "m" * 64, "hall", 9)[0]

    done, cancelled = add("a"), add("b")
    assert samples(service)["buffet_jobs_queued{}"] == 2
    with writing(service.engine) as connection:
        queue.claim(connection)
    for event in ("started", "lost"):
        note(service.engine, service.metrics, done.id, event)
    with writing(service.engine) as connection:
        queue.put_back(connection, done.id)
    note(service.engine, service.metrics, done.id, "ended")
    with writing(service.engine) as connection:
        queue.claim(connection)
        queue.end(connection, done.id, "done")
    note(service.engine, service.metrics, done.id, "ended")
    service.pool.cancel(cancelled.id)
    note(service.engine, service.metrics, 99, "ended")

    found = samples(service)
    assert found['buffet_jobs_ended_total{"kind": "rate", "state": "done"}'] == 1
    assert found['buffet_jobs_ended_total{"kind": "rate", "state": "cancelled"}'] == 1
    assert found['buffet_job_duration_seconds_count{"kind": "rate"}'] == 1
    assert found["buffet_worker_deaths_total{}"] == 1
    assert found["buffet_jobs_queued{}"] == 0
    told = [one["message"] for one in lines(caplog, "buffet.service.jobs")]
    assert told == [
        f"job {done.id} starts",
        f"the worker of job {done.id} died",
        f"job {done.id} goes back into the queue",
        f"job {done.id} is done",
        f"job {cancelled.id} is cancelled",
        "job 99 is gone with its campaign",
    ]


def test_two_services_count_apart(tmp_path: Path, service: Service) -> None:
    """Nothing is shared between them."""
    with service_of(ServiceSettings(tmp_path / "other")) as other:
        other.metrics.taken_in(7)
        assert samples(other)["buffet_taken_in_bytes_total{}"] == 7
    assert samples(service)["buffet_taken_in_bytes_total{}"] == 0


def test_the_form_of_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    """Text for a terminal, JSON for anything else, unless one is asked for."""
    root = logging.getLogger()
    before, level = root.handlers, root.level
    chosen = []
    try:
        for is_terminal, form in ((True, None), (False, None), (True, "json"), (False, "text")):
            monkeypatch.setattr(sys.stderr, "isatty", lambda seen=is_terminal: seen, raising=False)
            configure(form)  # type: ignore[arg-type]
            chosen.append(type(root.handlers[0].formatter))
    finally:
        root.handlers = before
        root.setLevel(level)
    assert chosen == [TextLines, JsonLines, JsonLines, TextLines]


def test_text_for_people_is_one_line_that_moves_no_cursor() -> None:
    """Whatever a record holds."""
    record = logging.LogRecord("x", logging.WARNING, "", 0, "a\x1b[2J\n%s", ("b",), None)
    record.campaign = "Tür\r3"
    line = TextLines().format(record)
    assert line.endswith("warning a\\x1b[2J\\nb campaign=Tür\\r3")
