"""The progress of a job as server-sent events (WHATWG HTML, 9.2)."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator

from fastapi import Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import StreamingResponse

from buffet.service.api.documents import event_data
from buffet.service.database.engine import reading
from buffet.service.errors import ServiceError
from buffet.service.jobs import queue
from buffet.service.jobs.queue import Event
from buffet.service.state import Service

HEARTBEAT_S = 15.0  # proxies close what is silent for a minute (common practice, no source)
RETRY_MS = 2000


class TooManyStreamsError(ServiceError):
    """As many streams are open as may be."""

    status, kind = 503, "too-many-streams"


async def stream(service: Service, job_id: int, request: Request) -> Response:
    """Events of a job as they come.

    Raises
    ------
    NotFoundError
        There is no such job.
    TooManyStreamsError
        As many streams are open as may be.
    """
    await run_in_threadpool(_require, service, job_id)
    if not service.streams.acquire(blocking=False):
        raise TooManyStreamsError(
            f"{service.settings.streams} streams are open; ask for the job itself instead"
        )
    body = _lines(service, job_id, request, _last_seen(request))
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return _Released(service, body, headers)


class _Released(StreamingResponse):
    """Gives the stream's place back, however it ends, even before its first byte."""

    def __init__(self, service: Service, body: AsyncIterator[str], headers: dict[str, str]) -> None:
        super().__init__(body, headers=headers, media_type="text/event-stream")
        self._service = service
        service.metrics.stream_opened()

    async def __call__(self, *args: object) -> None:
        try:
            await super().__call__(*args)  # type: ignore[arg-type]
        finally:
            self._service.streams.release()
            self._service.metrics.stream_closed()


def _require(service: Service, job_id: int) -> None:
    with reading(service.engine) as connection:
        queue.job(connection, job_id)


def _last_seen(request: Request) -> int:
    given = request.headers.get("last-event-id", "")
    return int(given) if given.isascii() and given.isdigit() and len(given) < 10 else 0


async def _lines(service: Service, job_id: int, request: Request, last: int) -> AsyncIterator[str]:
    yield f"retry: {RETRY_MS}\n\n"
    next_look = time.monotonic() + HEARTBEAT_S
    with service.bell.listening(job_id) as rung:
        while not service.stopping:
            rung.clear()
            # A token that was revoked or has ended ends the stream, however much happens.
            if time.monotonic() >= next_look:
                next_look = time.monotonic() + HEARTBEAT_S
                if not await run_in_threadpool(request.state.still_allowed):
                    return
            is_ended, found = await run_in_threadpool(_since, service, job_id, last)
            for event in found:
                last = event.number
                yield _told(event)
            if is_ended and not found:
                return
            if found:
                continue
            try:
                await asyncio.wait_for(rung.wait(), HEARTBEAT_S)
            except TimeoutError:
                yield ": still here\n\n"


def _since(service: Service, job_id: int, last: int) -> tuple[bool, list[Event]]:
    with reading(service.engine) as connection:
        is_ended = queue.job(connection, job_id).is_ended
        return is_ended, queue.events(connection, job_id, last)


def _told(event: Event) -> str:
    return f"id: {event.number}\nevent: {event.kind}\ndata: {json.dumps(event_data(event))}\n\n"
