"""One worker process, as the server holds it."""

from __future__ import annotations

import json
import logging
import os
import selectors
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from typing import IO, Any

LOG = logging.getLogger("buffet.service.worker")
# What a worker may see of the server's environment: no password stands in these.
KEPT_VARIABLES = ("PATH", "HOME", "LANG", "LC_ALL", "TZ", "TMPDIR", "VIRTUAL_ENV", "PYTHONPATH")
LONGEST_LINE = 2**20
TICK_S = 0.2


class WorkerGone(Exception):
    """The process ended under its task: killed, out of memory, or crashed."""


class WorkerProcess:
    """Started at once, killed with all that it started."""

    def __init__(self, memory_bytes: int) -> None:
        self.campaign_id = 0  # whose runs it holds analysed
        self._process = subprocess.Popen(
            [sys.executable, "-m", "buffet.service.jobs.worker", str(memory_bytes)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=_environment(),
            start_new_session=True,
        )
        assert self._process.stdout is not None
        assert self._process.stderr is not None
        os.set_blocking(self._process.stdout.fileno(), False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._process.stdout, selectors.EVENT_READ)
        self._rest = b""
        threading.Thread(target=_log, args=(self._process.stderr,), daemon=True).start()

    @property
    def pid(self) -> int:
        """Of the process."""
        return self._process.pid

    @property
    def is_alive(self) -> bool:
        """Whether it can be given a task."""
        return self._process.poll() is None

    def send(self, task: dict[str, Any]) -> None:
        """Give it a task; raises WorkerGone where it is not there."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(task).encode() + b"\n")
            self._process.stdin.flush()
        except OSError as error:
            raise WorkerGone from error

    def answers(self, until: float) -> Iterator[dict[str, Any] | None]:
        """Its messages as they come; None now and then, where nothing came.

        Raises
        ------
        WorkerGone
            It ended, or says what no worker says.
        TimeoutError
            The clock of `time.monotonic` reached `until`.
        """
        while True:
            if time.monotonic() > until:
                raise TimeoutError
            if not self._selector.select(TICK_S):
                yield None
                continue
            assert self._process.stdout is not None
            data = os.read(self._process.stdout.fileno(), 65536)
            if not data:
                raise WorkerGone
            *lines, self._rest = (self._rest + data).split(b"\n")
            if len(self._rest) > LONGEST_LINE:
                raise WorkerGone
            for line in lines:
                yield _message(line)

    def kill(self) -> None:
        """End it and all that it started, now."""
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self._selector.close()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()


def _message(line: bytes) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except ValueError as error:
        raise WorkerGone from error
    if not isinstance(found, dict):
        raise WorkerGone
    return found


def _environment() -> dict[str, str]:
    kept = {name: os.environ[name] for name in KEPT_VARIABLES if name in os.environ}
    # A worker has a core: threads of its own would wait for each other.
    return kept | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MPLBACKEND": "agg"}


def _log(stream: IO[bytes]) -> None:
    with stream:
        for line in iter(lambda: stream.readline(4096), b""):
            LOG.warning("%s", line.decode("utf-8", "replace").rstrip())
