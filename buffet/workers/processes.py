"""Runs read by several processes here, within a bound on the memory of all together."""

from __future__ import annotations

import logging
import pickle
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass, replace
from tempfile import TemporaryDirectory
from threading import Condition
from typing import Self

from buffet.errors import WorkerError
from buffet.one_run import Failure, Outcome, Reading, RunRead
from buffet.workers.memory import Bound, Budget, Needs, needs_of
from buffet.workers.parcels import PROTOCOL, Buffer, Shared, pieces, plain, unpacked
from buffet.workers.process import WorkerGone, WorkerProcess, WorkerUnfit
from buffet.workers.worker import RunTask, outcome
from ingest import Run, StoredRun

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class _Attempt:
    """A run that waits or is being read."""

    run: Run
    needs: Needs
    second: bool = False  # its first process ended under it


class ProcessCrew:
    """Processes that are started as they are needed, and ended together.

    Each has a thread here that waits for it. A process that ends under a run costs that run's
    work alone: it is tried once more, with no other beside it, in a fresh process. Where the system
    starts no more of them, those that are there read all, or this one does.
    """

    def __init__(self, reading: Reading, count: int, bound: Bound) -> None:
        self._reading = replace(
            reading,
            campaign=plain(reading.campaign),
            settings=replace(reading.settings, workers=1),
        )
        self._common = pickle.dumps(self._reading, PROTOCOL)
        self._plain = Shared(self._reading.campaign, {})
        self._budget = Budget(bound, count)
        self._idle: list[WorkerProcess] = []
        self._alive: set[WorkerProcess] = set()
        self._closed = self._no_more = False
        self._changed = Condition()
        self._threads = ThreadPoolExecutor(count)
        self._scratch = _scratch(self._reading)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        with self._changed:
            self._closed = True
            alive, self._alive = self._alive, set()
            self._changed.notify_all()
        for process in alive:
            process.kill()
        self._threads.shutdown()
        if self._scratch is not None:
            self._scratch.cleanup()

    def read(
        self, runs: Sequence[Run], off: Mapping[str, RunRead], started: Callable[[Run], None]
    ) -> Iterator[tuple[Run, Outcome]]:
        """As `Crew.read`, in the order in which they are done."""
        shared = Shared(self._reading.campaign, off)
        fresh = iter(runs)
        waiting: deque[_Attempt] = deque()
        working: dict[Future[memoryview | None], _Attempt] = {}
        while True:
            while (attempt := self._next(fresh, waiting, off)) is not None:
                if not self._budget.admits(attempt.needs, len(working)):
                    break
                waiting.popleft()
                self._budget.begin(attempt.needs)
                if not attempt.second:
                    started(attempt.run)
                working[self._threads.submit(self._answer, attempt.run, off)] = attempt
            if not working:
                return
            for future in wait(working, return_when=FIRST_COMPLETED).done:
                done = self._done(working.pop(future), future, off, shared)
                if isinstance(done, _Attempt):
                    waiting.append(done)
                else:
                    yield done

    def _next(
        self, fresh: Iterator[Run], waiting: deque[_Attempt], off: Mapping[str, RunRead]
    ) -> _Attempt | None:
        """What is to begin next, at the head of those that wait; second attempts come last.

        A run's needs are looked up while those before it are being read.
        """
        if not waiting or waiting[0].second:
            run = next(fresh, None)
            if run is not None:
                needs = needs_of(run, self._reading, off, self._budget.little_bytes)
                waiting.appendleft(_Attempt(run, needs))
        return waiting[0] if waiting else None

    def _done(
        self,
        attempt: _Attempt,
        future: Future[memoryview | None],
        off: Mapping[str, RunRead],
        shared: Shared,
    ) -> tuple[Run, Outcome] | _Attempt:
        """The run's outcome, or its second attempt."""
        run = attempt.run
        try:
            answer = future.result()
        except WorkerGone as gone:
            self._budget.end(attempt.needs, 0.0)
            if not attempt.second:
                return replace(attempt, needs=self._budget.alone, second=True)
            return run, Failure(run.number, _lost(gone))
        except WorkerUnfit as unfit:
            raise WorkerError(f"a process that is to read runs does not begin: {unfit}") from unfit
        self._budget.end(attempt.needs, 0.0 if answer is None else len(answer))
        if answer is not None:
            return run, unpacked(answer, shared)
        if attempt.second:  # what ended the first might end this one
            return run, Failure(run.number, "the process that read it ended; no other can be begun")
        return run, outcome(self._reading, run.number, dict(off))

    def _answer(self, run: Run, off: Mapping[str, RunRead]) -> memoryview | None:
        """In a thread of its own: from whichever process is idle; None where there is none."""
        process = self._process()
        if process is None:
            return None
        try:
            answer = process.answer(self._task(run, off, process))
        except BaseException:
            process.kill()
            with self._changed:
                self._alive.discard(process)
                self._changed.notify()
            raise
        with self._changed:
            self._idle.append(process)
            self._changed.notify()
        return answer

    def _process(self) -> WorkerProcess | None:
        """One that is idle, or a new one; None where there is none and none can be started."""
        with self._changed:
            while not self._closed:
                if self._idle:
                    return self._idle.pop()
                if not self._no_more and (process := self._started()) is not None:
                    return process
                if not self._alive:
                    return None
                self._changed.wait()
            raise WorkerGone("all were ended")

    def _started(self) -> WorkerProcess | None:
        try:
            process = WorkerProcess(self._common, self._scratch.name if self._scratch else None)
        except OSError as error:
            self._no_more = True
            who = f"{len(self._alive)} read all" if self._alive else "this one reads"
            _log.warning("no more processes to read runs can be started (%s): %s", error, who)
            return None
        self._alive.add(process)
        return process

    def _task(self, run: Run, off: Mapping[str, RunRead], process: WorkerProcess) -> list[Buffer]:
        named = frozenset(number for number in run.zero_runs if number in off)
        sent = {number: off[number] for number in sorted(named - process.holds)}
        process.holds = named
        return pieces(RunTask(run.number, named, sent), self._plain)


def _scratch(reading: Reading) -> TemporaryDirectory[str] | None:
    """A folder for recordings that are fetched, so that none stays where a process is ended."""
    if not any(isinstance(run, StoredRun) for run in reading.campaign.runs):
        return None
    with suppress(OSError):  # each run tells that there is no room
        return TemporaryDirectory(prefix="buffet-", ignore_cleanup_errors=True)
    return None


def _lost(gone: WorkerGone) -> str:
    told = f"the process that read it ended, and so did a second one: {gone}"
    if not gone.lacks_memory:
        return f"{told}; tell us, with the recording"
    return f"{told}; give more --memory or a machine with more, and tell us if the run is small"
