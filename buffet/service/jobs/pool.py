"""Worker processes that take jobs from the queue, each watched over by a thread of the server."""

from __future__ import annotations

import errno
import logging
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from buffet.service import catalogue
from buffet.service.blobs import Blobs
from buffet.service.database.engine import reading, writing
from buffet.service.errors import FolderError, NotFoundError
from buffet.service.jobs import queue
from buffet.service.jobs.process import TICK_S, WorkerGone, WorkerProcess
from buffet.service.jobs.queue import Job
from ingest import file_digest

LOG = logging.getLogger("buffet.service.jobs")
PROGRESS_EVERY_S = 0.5  # events of progress are kept: no more than anyone reads
IDLE_S = 600.0  # a worker keeps its last campaign's analysis, up to gigabytes, as long as this
REST_S = 2.0  # after a failure of the server's own, such as a full disk


@dataclass
class Slot:
    """One worker and what it works on."""

    number: int
    process: WorkerProcess | None = None
    job_id: int | None = None
    stopping: threading.Event = field(default_factory=threading.Event)  # its present job
    worked_at: float = 0.0  # by the clock of `time.monotonic`


class Pool:
    """Runs jobs until it is stopped; what it was told to do stands in the database."""

    def __init__(
        self,
        engine: Engine,
        blobs: Blobs,
        workers: int,
        memory_bytes: int,
        time_s: float,
        on_event: Callable[[int, str], None] = lambda job_id, kind: None,
    ) -> None:
        self._engine, self._blobs = engine, blobs
        self._memory_bytes, self._time_s = memory_bytes, time_s
        self._on_event = on_event
        self._slots = [Slot(number) for number in range(workers)]
        self._lock = threading.Lock()
        self._work = threading.Condition()
        self._stopped = False
        self._threads = [
            threading.Thread(target=self._serve, args=(slot,), name=f"worker {slot.number}")
            for slot in self._slots
        ]

    def start(self) -> None:
        """Begin, with the jobs that an earlier server left running put back first."""
        with writing(self._engine) as connection:
            for job_id in queue.unfinished(connection):
                queue.put_back(connection, job_id, counts=False)
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """A job was added."""
        with self._work:
            self._work.notify_all()

    def cancel(self, job_id: int) -> None:
        """End a job, wherever it is.

        Raises
        ------
        NotFoundError, ConflictError
            There is no such job, or it has ended.
        """
        with writing(self._engine) as connection:
            queue.require_cancellable(queue.job(connection, job_id))
            queue.end(connection, job_id, "cancelled")
        self.interrupt(job_id)

    def interrupt(self, job_id: int) -> None:
        """Stop working on a job that has ended otherwise."""
        with self._lock:
            for slot in self._slots:
                if slot.job_id == job_id:
                    slot.stopping.set()
        self._on_event(job_id, "cancelled")

    def stop(self) -> None:
        """Put running jobs back into the queue and end the workers."""
        with self._lock:  # no job is taken in between
            self._stopped = True
            for slot in self._slots:
                slot.stopping.set()
        with self._work:
            self._work.notify_all()
        for thread in self._threads:
            if thread.ident is not None:
                thread.join()

    @property
    def pids(self) -> list[int]:
        """Of the workers that run."""
        return [slot.process.pid for slot in self._slots if slot.process is not None]

    def _serve(self, slot: Slot) -> None:
        """The life of a slot's thread."""
        while not self._stopped:
            try:
                job = self._next(slot)
                if job is not None:
                    self._on_event(job.id, "started")
                    self._run(slot, job)
                    self._on_event(job.id, "ended")
            except Exception as error:
                LOG.exception("worker %d", slot.number)
                # A disk or database that fails is not the job's doing, and may be mended.
                self._rest(slot, counts=not isinstance(error, OSError | FolderError | DBAPIError))
            finally:
                if slot.job_id is not None:
                    slot.worked_at = time.monotonic()
                slot.job_id = None
        self._kill(slot)

    def _next(self, slot: Slot) -> Job | None:
        """The job that is taken; None where none came for a while."""
        campaign_id = slot.process.campaign_id if slot.process else 0
        with self._work:
            with reading(self._engine) as connection:
                waits = bool(queue.jobs(connection, states=("queued",), limit=1))
            if not waits:
                if time.monotonic() - slot.worked_at > IDLE_S:
                    self._kill(slot)
                self._work.wait(timeout=5.0)
                return None
        with self._lock, writing(self._engine) as connection:
            if self._stopped:
                return None
            job = queue.claim(connection, campaign_id)
            slot.stopping.clear()
            slot.job_id = None if job is None else job.id
            return job

    def _rest(self, slot: Slot, *, counts: bool) -> None:
        """After a failure of our own: the job goes back, if that can be written down at all."""
        self._kill(slot)
        is_written = False
        while not is_written and not self._stopped:
            deadline = time.monotonic() + REST_S
            while time.monotonic() < deadline and not self._stopped:
                time.sleep(TICK_S)
            is_written = slot.job_id is None or self._is_put_back(slot.job_id, counts=counts)

    def _is_put_back(self, job_id: int, *, counts: bool) -> bool:
        """Whether that could be written: on a disk that is full it cannot, until there is room."""
        with suppress(Exception), writing(self._engine) as connection:
            queue.put_back(connection, job_id, counts=counts)
            return True
        return False

    def _run(self, slot: Slot, job: Job) -> None:
        with self._blobs.scratch() as scratch:
            files = self._files(job)
            if files is None:
                return
            try:
                self._blobs.lay_out(scratch / "campaign", files)
            except (FolderError, OSError) as error:
                self._end(job, "failed", _told(error))
                return
            output = scratch / f"result.{job.settings.get('suffix', 'out')}"
            try:
                media_type = self._compute(slot, job, files, scratch / "campaign", output)
                if media_type is not None:
                    self._keep(job, output, media_type)
            except WorkerGone:
                self._lost(slot, job)
            except TimeoutError:
                self._kill(slot)
                hours = self._time_s / 3600
                told = f"took longer than the {hours:.3g} h that a job may take"
                self._end(job, "failed", f"{told}; `buffet serve --job-time` allows more")

    def _files(self, job: Job) -> dict[str, str] | None:
        """Digests by name; None where the campaign changed, went into the bin or is gone.

        A job whose campaign changed in this moment is taken anew, as the campaign stands then.
        """
        with writing(self._engine) as connection:
            try:
                found = catalogue.campaign(connection, job.campaign_id)
            except NotFoundError:
                queue.end(connection, job.id, "cancelled", "the campaign went into the bin")
                return None
            if found.manifest_sha256 != job.manifest_sha256:
                queue.put_back(connection, job.id, counts=False)
                return None
            return {one.name: one.sha256 for one in catalogue.files(connection, found.id)}

    def _compute(
        self, slot: Slot, job: Job, files: dict[str, str], folder: Path, output: Path
    ) -> str | None:
        """Media type of the file that came of it; None where the job has ended without one."""
        if slot.process is None or not slot.process.is_alive:
            self._kill(slot)
            slot.process = WorkerProcess(self._memory_bytes)
        slot.process.campaign_id = job.campaign_id
        slot.process.send(
            {
                "kind": job.kind,
                "settings": job.settings,
                "files": files,
                "folder": str(folder),
                "output": str(output),
            }
        )
        told_at = 0.0
        for answer in slot.process.answers(time.monotonic() + self._time_s):
            if slot.stopping.is_set():
                self._kill(slot)
                self._put_back_at_stop(job)
                return None
            if answer is None or "ready" in answer:
                continue
            if "done" in answer:
                return str(answer["done"])
            if "failed" in answer:
                self._end(job, "failed", str(answer["failed"]))
                return None
            if time.monotonic() - told_at > PROGRESS_EVERY_S:
                told_at = time.monotonic()
                self._tell(job, answer)
        return None

    def _keep(self, job: Job, output: Path, media_type: str) -> None:
        with self._blobs.held():
            try:
                sha256, size = file_digest(output), output.stat().st_size
                self._blobs.adopt(output, sha256)
            except OSError as error:
                self._end(job, "failed", _told(error))
                return
            with writing(self._engine) as connection:
                queue.keep(connection, job, sha256, size, media_type)

    def _lost(self, slot: Slot, job: Job) -> None:
        """A worker died: its job runs again, some times."""
        self._kill(slot)
        self._on_event(job.id, "lost")
        with writing(self._engine) as connection:
            queue.put_back(connection, job.id)

    def _put_back_at_stop(self, job: Job) -> None:
        with writing(self._engine) as connection:
            queue.put_back(connection, job.id, counts=False)  # nothing where it was cancelled

    def _kill(self, slot: Slot) -> None:
        if slot.process is not None:
            slot.process.kill()
            slot.process = None

    def _tell(self, job: Job, answer: dict[str, Any]) -> None:
        data = {"text": str(answer.get("progress", "")), "share": answer.get("share")}
        with writing(self._engine) as connection:
            queue.tell(connection, job.id, "progress", data)
        self._on_event(job.id, "progress")

    def _end(self, job: Job, state: str, error: str) -> None:
        with writing(self._engine) as connection:
            queue.end(connection, job.id, state, error)


def _told(error: Exception) -> str:
    """Why a job failed whose files could not be laid out or kept."""
    if isinstance(error, OSError):
        full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        return "the server's disk is full" if full else f"the result is lost: {error.strerror}"
    return str(error)
