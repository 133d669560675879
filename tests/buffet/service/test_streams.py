"""Event streams end with what let them in, however much their job has to tell."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from buffet.service.api import events
from buffet.service.database.engine import writing
from buffet.service.jobs import queue
from buffet.service.settings import ServiceSettings
from tests.buffet.service.filling import fill, service_of


def test_a_stream_that_is_never_silent_ends_once_its_token_is_revoked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who asks is looked up as often as in a silent one."""
    monkeypatch.setattr(events, "HEARTBEAT_S", 0.05)
    settings = ServiceSettings(tmp_path / "service")
    own = fill(settings)
    looks = iter((True, False))
    state = SimpleNamespace(still_allowed=lambda: next(looks))
    with service_of(settings) as service:
        with writing(service.engine) as connection:
            values = (own.id, "check", {}, "c" * 64, own.manifest_sha256, "hall", 9)
            job, _ = queue.add(connection, *values)

        async def heard() -> int:
            number = 0
            request = cast("Any", SimpleNamespace(state=state))
            async for _ in events._lines(service, job.id, request, 0):
                with writing(service.engine) as connection:
                    queue.tell(connection, job.id, "progress", {"text": "run", "share": None})
                number += 1
            return number

        assert asyncio.run(asyncio.wait_for(heard(), 10.0)) > 1
    assert list(looks) == []
