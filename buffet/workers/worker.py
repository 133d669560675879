"""A worker process: what is common to all tasks first, then one run after another.

It ends when whoever started it does, in the middle of a run if need be.
"""

from __future__ import annotations

import os
import pickle
import shutil
import sys
import threading
import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from queue import SimpleQueue
from typing import IO

from buffet.one_run import Outcome, Reading, RunRead, read_or_failed
from buffet.workers.memory_file import written
from buffet.workers.parcels import PROTOCOL, Buffer, Shared, pieces, unpacked
from buffet.workers.process import OUT_OF_MEMORY, PLACE, SCRATCH, receive, send


@dataclass(frozen=True)
class RunTask:
    """One run to read."""

    number: str
    off: frozenset[str]  # wind-off runs that it refers to and that were read
    sent: Mapping[str, RunRead]  # those among them that the worker does not hold yet


def outcome(reading: Reading, number: str, off: dict[str, RunRead]) -> Outcome:
    """What is to be sent back of a run, errors of the program itself among it."""
    try:
        return read_or_failed(reading, reading.campaign.run(number), off)
    except MemoryError:
        raise
    except Exception as error:
        error.add_note("".join(traceback.format_exception(error)))
        return error


def main() -> None:
    """Work until the input ends."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # nothing printed by a library is an answer
    messages: SimpleQueue[memoryview] = SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, messages), daemon=True).start()
    reading = _opened(messages.get(), answers)
    off: dict[str, RunRead] = {}
    plain = Shared(reading.campaign, {})
    given: int | None = None
    while True:
        task: RunTask = unpacked(messages.get(), plain)
        if given is not None:  # whoever asks again has mapped it
            os.close(given)
        try:
            off = {number: one for number, one in off.items() if number in task.off}
            off |= task.sent
            found = outcome(reading, task.number, off)
            given = _give(answers, answer(found, Shared(reading.campaign, off)))
        except MemoryError:
            os._exit(OUT_OF_MEMORY)
        except BrokenPipeError:  # nobody wants the answer any more
            os._exit(0)


def _give(answers: IO[bytes], content: list[Buffer]) -> int | None:
    """In a memory file, of which place and size are sent, or by itself; the file's descriptor."""
    given = written(content)
    if given is None:
        send(answers, [])
        send(answers, content)
    else:
        send(answers, [PLACE.pack(given, os.fstat(given).st_size)])
    return given


def _opened(common: memoryview, answers: IO[bytes]) -> Reading:
    """What is common, and a first answer: nothing, or in words why it cannot be opened."""
    try:
        reading: Reading = pickle.loads(common)
    except MemoryError:
        os._exit(OUT_OF_MEMORY)
    except Exception as error:
        send(answers, [f"{type(error).__name__}: {error}".encode()])
        os._exit(1)  # not by way of the interpreter's end, which would wait for the input
    send(answers, [])
    return reading


def answer(found: Outcome, shared: Shared) -> list[Buffer]:
    """In pieces; an error that does not survive it is told in words."""
    if isinstance(found, Exception):
        try:
            pickle.loads(pickle.dumps(found, PROTOCOL))
        except Exception:
            found = RuntimeError("\n".join((repr(found), *getattr(found, "__notes__", ()))))
    return pieces(found, shared)


def _listen(stream: IO[bytes], messages: SimpleQueue[memoryview]) -> None:
    """The input's end is the end of whoever wanted the answers, and who would clear the scratch."""
    try:
        while (message := receive(stream)) is not None:
            messages.put(message)
    except MemoryError:
        os._exit(OUT_OF_MEMORY)
    except BaseException:
        traceback.print_exc()
        os._exit(1)
    if SCRATCH in os.environ:
        shutil.rmtree(os.environ[SCRATCH], ignore_errors=True)
    os._exit(0)


if __name__ == "__main__":
    main()
