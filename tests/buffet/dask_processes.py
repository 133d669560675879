"""A Dask scheduler and its workers as processes of this machine, as README starts them."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

START_S = 60.0
_ADDRESS = re.compile(r"Scheduler at:\s+(tcp://\S+)")
_REGISTERED = re.compile(r"Registered to:\s+(tcp://\S+)")


class DaskProcess:
    """One `dask scheduler` or `dask worker`, its output in a log."""

    def __init__(self, words: Sequence[str], log: Path, **settings: str) -> None:
        self.log = log
        environment = {
            **os.environ,
            **settings,
            "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
        }
        with log.open("wb") as told:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "dask", *words],
                stdout=told,
                stderr=told,
                env=environment,
                cwd=log.parent,
            )

    def told(self, pattern: re.Pattern[str]) -> str:
        """The first group of what it is waited for to say."""
        until = time.monotonic() + START_S
        while (found := pattern.search(self.log.read_text(errors="replace"))) is None:
            assert self.process.poll() is None, self.log.read_text()
            assert time.monotonic() < until, self.log.read_text()
            time.sleep(0.05)
        return found[1]

    def end(self) -> None:
        """With all that it started, in its own time."""
        self.process.terminate()
        try:
            self.process.wait(START_S)
        finally:
            self.kill()

    def kill(self) -> None:
        """As a machine that fails would."""
        self.process.kill()
        self.process.wait()


class Cluster:
    """A scheduler at a free port of this machine, and workers of one thread each."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        words = ("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        self.scheduler = DaskProcess(words, folder / "scheduler.log")
        self.workers: list[DaskProcess] = []
        self.address = self.scheduler.told(_ADDRESS)

    def add_worker(self, **settings: str) -> DaskProcess:
        """Without a nanny, which would start it again; not waited for."""
        words = ("worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
        log = self._folder / f"worker-{len(self.workers)}.log"
        self.workers.append(DaskProcess(words, log, **settings))
        return self.workers[-1]


@contextmanager
def cluster(folder: Path, n_workers: int = 2) -> Iterator[Cluster]:
    """Ended with all its workers."""
    found = Cluster(folder)
    try:
        for _ in range(n_workers):
            found.add_worker()
        for worker in found.workers:
            worker.told(_REGISTERED)
        yield found
    finally:
        for process in (*found.workers, found.scheduler):
            process.kill()
