"""What a running service holds: one process has a folder at a time."""

from __future__ import annotations

import asyncio
import fcntl
import logging
import threading
from contextlib import suppress
from typing import IO

from anyio import CapacityLimiter

from buffet.service import catalogue
from buffet.service.access.form_tokens import secret_of
from buffet.service.bell import Bell
from buffet.service.blobs import Blobs
from buffet.service.database.engine import open_database, reading
from buffet.service.database.migrate import migrate
from buffet.service.errors import FolderError
from buffet.service.jobs.notes import note
from buffet.service.jobs.pool import Pool
from buffet.service.metrics import Metrics
from buffet.service.settings import ServiceSettings

LOG = logging.getLogger("buffet.service")
AT_ONCE = 2
INSPECTING = 8  # threads, most of which wait for others of the same campaign
LOCKS = 64  # campaigns that share one wait for each other, no more


class Service:
    """Database, content and workers of one folder; one process has it at a time."""

    def __init__(self, settings: ServiceSettings) -> None:
        """Open the folder.

        Raises
        ------
        FolderError
            It is no folder, another server has it, or its database cannot be used.
        """
        self.settings = settings
        self._lock = _locked(settings)
        try:
            self.engine = open_database(settings)
            migrate(self.engine)
            self.secret = secret_of(settings.places)
            self.blobs = Blobs(settings.places)
        except BaseException:
            self._lock.close()
            raise
        self.bell = Bell()
        self.stopping = False
        self.streams = threading.BoundedSemaphore(settings.streams)
        # Each inspection is a process of its own: a few at a time.
        self.inspections = threading.BoundedSemaphore(AT_ONCE)
        self.unpackings = threading.BoundedSemaphore(AT_ONCE)  # of archives, which take long
        # What waits for its turn must not hold the threads that all other requests are answered on.
        self.inspecting = CapacityLimiter(INSPECTING)
        self._changing = tuple(threading.Lock() for _ in range(LOCKS))
        self.pool = Pool(
            self.engine,
            self.blobs,
            settings.workers,
            settings.job_memory_bytes,
            settings.job_time_s,
            self._on_event,
        )
        self.metrics = Metrics(self.engine, settings.folder, lambda: len(self.pool.pids))

    def start(self, loop: asyncio.AbstractEventLoop) -> None:
        """Clear what a killed server left, then begin with the jobs that wait."""
        self.bell.attach(loop)
        self.blobs.clear_unfinished()
        self.sweep()
        self.pool.start()
        LOG.info("started", extra={"folder": str(self.settings.folder)})

    def end_streams(self) -> None:
        """Event streams end at once; clients come back to whoever serves next."""
        self.stopping = True
        self.bell.ring_all()

    def stop(self) -> None:
        """Nothing that was acknowledged is lost: unfinished jobs go on at the next start."""
        self.end_streams()
        self.pool.stop()
        self.close()
        LOG.info("stopped", extra={"folder": str(self.settings.folder)})

    def close(self) -> None:
        """Let go of the folder."""
        self.engine.dispose()
        self._lock.close()

    def changing(self, campaign_id: int) -> threading.Lock:
        """Held by whoever gives a campaign other files, from the first look to the last write."""
        return self._changing[campaign_id % LOCKS]

    def sweep(self) -> None:
        """Remove content that nothing names, unless some is being taken in or backed up now."""
        removed = self.blobs.sweep(self._known)
        if removed:
            LOG.info("removed %d files that nothing names", removed)

    def _known(self) -> set[str]:
        with reading(self.engine) as connection:
            return catalogue.known_content(connection)

    def _on_event(self, job_id: int, kind: str) -> None:
        if kind != "progress":
            note(self.engine, self.metrics, job_id, kind)
        self.bell.ring(job_id)


def _locked(settings: ServiceSettings) -> IO[str]:
    places = settings.places
    try:
        places.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        file = places.lock.open("w")
    except OSError as error:
        raise FolderError(f"{places.folder}: cannot be served: {error.strerror}") from error
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        with suppress(OSError):
            file.close()
        raise FolderError(
            f"{places.folder}: another server has this folder; stop it first, or serve another one"
        ) from error
    return file
