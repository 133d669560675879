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

from buffet.workers.memory_file import mapped
from buffet.workers.parcels import Buffer

PIPE_BYTES = 1 << 20  # as much as Linux lets anybody have; elsewhere the usual size
PLACE = struct.Struct("<QQ")  # of an answer: descriptor of its memory file, and its size
LENGTH = struct.Struct("<Q")  # of a message, in bytes, before it


class WorkerGone(Exception):
    """The process ended under its task; the text says how."""

    def __init__(self, how: str, *, lacks_memory: bool = False) -> None:
        super().__init__(how)
        self.lacks_memory = lacks_memory  # by its own word, or as the system ends who takes much


class WorkerUnfit(Exception):
    """The process cannot begin, nor could another; the text says why."""


class WorkerProcess:
    """A fresh interpreter, told what all its tasks have in common.

    Not a child of multiprocessing: that would run a user's script a second time, and could not
    choose how many threads the linear algebra has.
    """

    def __init__(self, shared: bytes, scratch: str | None = None) -> None:
        """`scratch` is a folder for its files; raises OSError where it cannot be started."""
        self.holds: frozenset[str] = frozenset()  # numbers of the wind-off runs it was given
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "buffet.workers.worker"],  # by our path alone
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=_environment(scratch),
            pipesize=PIPE_BYTES,
            start_new_session=True,  # Ctrl-C is for whoever started it, who ends it
        )
        self._first: bytes | None = shared  # until it has it

    @property
    def pid(self) -> int:
        """Of the process."""
        return self._process.pid

    def answer(self, task: Sequence[Buffer]) -> memoryview:
        """What it makes of a task.

        Raises WorkerGone where it ends under it, WorkerUnfit where it ends before its first one.
        """
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            if self._first is not None:
                send(self._process.stdin, [self._first])
                self._begun(receive(self._process.stdout))
                self._first = None
            send(self._process.stdin, task)
            answer = self._received(self._process.stdout)
        except (OSError, ValueError) as error:  # ValueError: closed by `kill`
            raise self._gone() from error
        if answer is None:
            raise self._gone()
        return answer

    def _received(self, answers: IO[bytes]) -> memoryview | None:
        place = receive(answers)
        return mapped(self.pid, *PLACE.unpack(place)) if place else receive(answers)

    def _begun(self, words: memoryview | None) -> None:
        """Its word that it is ready: none, or why it is not."""
        if words is None:
            raise self._gone()
        if words:
            raise WorkerUnfit(f"it cannot load what it is given: {bytes(words).decode()}")

    def _gone(self) -> WorkerGone | WorkerUnfit:
        """How it ended, which it may be about to."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(5.0)
        code = self._process.returncode
        if code == OUT_OF_MEMORY:
            return WorkerGone("it ran out of memory", lacks_memory=True)
        how = f"it ended with {code}"
        if code is not None and code < 0:
            name = signal.Signals(-code).name if -code in set(signal.Signals) else str(-code)
            how = f"it was ended by {name}"
            if name == "SIGKILL":
                how += ", as the system does where memory runs out"
                return WorkerGone(how, lacks_memory=True)
        return WorkerGone(how) if self._first is None else WorkerUnfit(how)

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
SCRATCH = "BUFFET_WORKERS_SCRATCH"  # names the folder that a worker left alone clears away


def _environment(scratch: str | None) -> dict[str, str]:
    """A worker has a core: threads of its own would wait for each other."""
    here = os.pathsep.join(path or os.getcwd() for path in sys.path)
    threads = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    places = {} if scratch is None else {"TMPDIR": scratch, SCRATCH: scratch}
    return os.environ | threads | places | {"PYTHONPATH": here}


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
