"""Connections that bring nothing, and those that break: neither holds or alarms the server."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from contextlib import closing

import pytest

from buffet.service import connections
from buffet.service.settings import ServiceSettings
from tests.buffet.service.raw_requests import connect, head_of
from tests.buffet.service.served import Served, serving


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An empty service."""
    with serving(ServiceSettings(tmp_path_factory.mktemp("service"))) as running:
        yield running


@pytest.mark.parametrize("is_second", [False, True])
@pytest.mark.parametrize("begun", [b"", b"GET / HT"])
def test_who_sends_no_whole_head_is_hung_up_on(
    served: Served, monkeypatch: pytest.MonkeyPatch, begun: bytes, *, is_second: bool
) -> None:
    """Also on a connection that was answered before."""
    monkeypatch.setattr(connections, "PATIENCE_S", 0.7)
    first = head_of(served.address, "GET", "/healthz", "Connection: keep-alive")
    with closing(connect(served.address)) as line:
        line.sendall((first if is_second else b"") + begun)
        answered = b""
        while data := line.recv(65536):  # until the server closes; a timeout is an error
            answered += data
    assert answered.startswith(b"HTTP/1.1 200") is is_second


def test_an_upload_that_is_broken_off_is_no_failure_of_the_program(
    served: Served, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing of it stays, and whoever watches the log for errors is not woken."""
    caplog.set_level(logging.INFO)
    fields = ("Content-Type: application/zip", "Content-Length: 5000000")
    head = head_of(served.address, "POST", "/api/campaigns", f"Origin: {served.address}", *fields)
    with closing(connect(served.address)) as line:
        line.sendall(head + b"x" * 70_000)
        time.sleep(0.3)
    until = time.monotonic() + 10.0
    while not any(getattr(one, "path", "") == "/api/campaigns" for one in caplog.records):
        assert time.monotonic() < until
        time.sleep(0.02)
    time.sleep(0.1)
    assert [one.getMessage() for one in caplog.records if one.levelno >= logging.WARNING] == []
    assert list(served.service.settings.places.incoming.iterdir()) == []
