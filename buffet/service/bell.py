"""Wakes event streams when something happened to their job, from whichever thread it did."""

from __future__ import annotations

import asyncio
import threading
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager


class Bell:
    """One ring a job."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: dict[int, set[asyncio.Event]] = defaultdict(set)
        self._loop: asyncio.AbstractEventLoop | None = None

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """The loop that streams run on."""
        self._loop = loop

    def ring(self, job_id: int) -> None:
        """From any thread."""
        with self._lock:
            events = list(self._waiting.get(job_id, ()))
        loop = self._loop
        if loop is None or loop.is_closed():
            return
        for event in events:
            loop.call_soon_threadsafe(event.set)

    def ring_all(self) -> None:
        """Every stream looks up: the server stops."""
        with self._lock:
            every = list(self._waiting)
        for job_id in every:
            self.ring(job_id)

    @contextmanager
    def listening(self, job_id: int) -> Iterator[asyncio.Event]:
        """An event that is set when the job's bell rings."""
        event = asyncio.Event()
        with self._lock:
            self._waiting[job_id].add(event)
        try:
            yield event
        finally:
            with self._lock:
                self._waiting[job_id].discard(event)
                if not self._waiting[job_id]:
                    del self._waiting[job_id]
