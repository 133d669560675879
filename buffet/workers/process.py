"""One worker process, as whoever started it holds it: bytes in, bytes out."""

from __future__ import annotations

import os
import signal
import struct
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import IO

import numpy as np

from buffet.workers.parcels import Buffer

PIPE_BYTES = 1 << 20  # as much as Linux lets anybody have; elsewhere the usual size
LENGTH = struct.Struct("<Q")  # of a message, in bytes, before it


class WorkerGone(Exception):
    """The process ended under its task; the text says how."""


class WorkerProcess:
    """A fresh interpreter, told what all its tasks have in common.

    Not a child of multiprocessing: that would run a user's script a second time, and could not
    choose how many threads the linear algebra has.
    """

    def __init__(self, shared: bytes) -> None:
        self.holds: frozenset[str] = frozenset()  # numbers of the wind-off runs it was given
        self._process = subprocess.Popen(
            [sys.executable, "-m", "buffet.workers.worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=_environment(),
            pipesize=PIPE_BYTES,
            start_new_session=True,  # Ctrl-C is for whoever started it, who ends it
        )
        self._first: bytes | None = shared

    @property
    def pid(self) -> int:
        """Of the process."""
        return self._process.pid

    def answer(self, task: Sequence[Buffer]) -> memoryview:
        """What it makes of a task; raises WorkerGone where it ends under it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            if self._first is not None:
                send(self._process.stdin, [self._first])
                self._first = None
            send(self._process.stdin, task)
            answer = receive(self._process.stdout)
        except (OSError, ValueError) as error:  # ValueError: closed by `kill`
            raise WorkerGone(self._how()) from error
        if answer is None:
            raise WorkerGone(self._how())
        return answer

    def _how(self) -> str:
        """How it ended, which it may be about to."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(5.0)
        code = self._process.returncode
        if code == OUT_OF_MEMORY:
            return "it ran out of memory"
        if code is not None and code < 0:
            name = signal.Signals(-code).name if -code in set(signal.Signals) else str(-code)
            often = ", as the system does where memory runs out" if name == "SIGKILL" else ""
            return f"it was ended by {name}{often}"
        return f"it ended with {code}"

    def kill(self) -> None:
        """End it now."""
        with suppress(ProcessLookupError):
            self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()


OUT_OF_MEMORY = 71  # exit code by which a worker says so


def _environment() -> dict[str, str]:
    """A worker has a core: threads of its own would wait for each other."""
    here = os.pathsep.join(path or os.getcwd() for path in sys.path)
    threads = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    return os.environ | threads | {"PYTHONPATH": here}


def send(stream: IO[bytes], message: Sequence[Buffer]) -> None:
    """Length, then the pieces of the content."""
    stream.write(LENGTH.pack(sum(memoryview(piece).nbytes for piece in message)))
    for piece in message:
        stream.write(piece)
    stream.flush()


def receive(stream: IO[bytes]) -> memoryview | None:
    """The next message; None at the end, and where it breaks off."""
    head = stream.read(LENGTH.size)
    if len(head) < LENGTH.size:
        return None
    (length,) = LENGTH.unpack(head)
    content = np.empty(length, np.uint8).data  # not filled before it is
    done = 0
    while done < length:
        got = stream.readinto(content[done:])  # type: ignore[attr-defined]
        if not got:
            return None
        done += got
    return content
