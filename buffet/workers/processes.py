"""Runs read by several processes here, within a bound on the memory of all together."""

from __future__ import annotations

import pickle
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from threading import Lock
from typing import Self

from buffet.one_run import Failure, Outcome, Reading, RunRead
from buffet.workers.memory import Bound, Budget, Needs, needs_of
from buffet.workers.parcels import PROTOCOL, Buffer, Shared, pieces, plain, unpacked
from buffet.workers.process import WorkerGone, WorkerProcess
from buffet.workers.worker import RunTask
from ingest import Run


@dataclass(frozen=True)
class _Attempt:
    """A run that waits or is being read."""

    run: Run
    needs: Needs
    second: bool = False  # its first process ended under it


class ProcessCrew:
    """Processes that are started as they are needed, and ended together.

    Each has a thread here that waits for it. A process that ends under a run costs that run's
    work alone: it is tried once more, with no other beside it, in a fresh process.
    """

    def __init__(self, reading: Reading, count: int, bound: Bound) -> None:
        self._reading = replace(
            reading,
            campaign=plain(reading.campaign),
            settings=replace(reading.settings, workers=1),
        )
        self._common = pickle.dumps(self._reading, PROTOCOL)
        self._budget = Budget(bound, count)
        self._idle: list[WorkerProcess] = []
        self._alive: set[WorkerProcess] = set()
        self._closed = False
        self._lock = Lock()
        self._threads = ThreadPoolExecutor(count)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        with self._lock:
            self._closed = True
            alive, self._alive = self._alive, set()
        for process in alive:
            process.kill()
        self._threads.shutdown()

    def read(
        self, runs: Sequence[Run], off: Mapping[str, RunRead], started: Callable[[Run], None]
    ) -> Iterator[tuple[Run, Outcome]]:
        """As `Crew.read`, in the order in which they are done."""
        shared = Shared(self._reading.campaign, off)
        fresh = iter(runs)
        waiting: deque[_Attempt] = deque()
        working: dict[Future[memoryview], _Attempt] = {}
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
                done = self._done(working.pop(future), future, shared)
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
        self, attempt: _Attempt, future: Future[memoryview], shared: Shared
    ) -> tuple[Run, Outcome] | _Attempt:
        """The run's outcome, or its second attempt."""
        try:
            answer = future.result()
        except WorkerGone as gone:
            self._budget.end(attempt.needs, 0.0)
            if not attempt.second:
                return replace(attempt, needs=self._budget.alone, second=True)
            return attempt.run, Failure(attempt.run.number, _lost(gone))
        self._budget.end(attempt.needs, len(answer))
        return attempt.run, unpacked(answer, shared)

    def _answer(self, run: Run, off: Mapping[str, RunRead]) -> memoryview:
        """In a thread of its own: from whichever process is idle."""
        process = self._process()
        try:
            answer = process.answer(self._task(run, off, process))
        except WorkerGone:
            process.kill()
            with self._lock:
                self._alive.discard(process)
            raise
        with self._lock:
            self._idle.append(process)
        return answer

    def _process(self) -> WorkerProcess:
        with self._lock:
            if self._closed:
                raise WorkerGone("all were ended")
            if self._idle:
                return self._idle.pop()
            process = WorkerProcess(self._common)
            self._alive.add(process)
            return process

    def _task(self, run: Run, off: Mapping[str, RunRead], process: WorkerProcess) -> list[Buffer]:
        both = (run.zero_before, run.zero_after)
        named = frozenset(number for number in both if number is not None and number in off)
        sent = {number: off[number] for number in sorted(named - process.holds)}
        process.holds = named
        return pieces(RunTask(run.number, named, sent), Shared(self._reading.campaign, {}))


def _lost(gone: WorkerGone) -> str:
    return (
        f"the process that read it ended, and so did a second one: {gone}; give more --memory or "
        "a machine with more, and tell us if the run is small"
    )
