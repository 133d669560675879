"""A function run in a limited process of its own, since what it reads may be hostile.

The child is a fresh interpreter with bounds on memory, time, files and open handles, without this
process's environment. The function and its arguments are pickled to it; what comes back is JSON.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import selectors
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from buffet.service.intake.errors import IntakeError, size_text
from buffet.service.intake.limits import GIB, MIB

# What a child keeps of this process's environment: where programs and texts are. No passwords.
_KEPT = ("PATH", "LANG", "LC_ALL", "LC_CTYPE", "TZ", "TMPDIR", "LD_LIBRARY_PATH")
# One thread for linear algebra and plain malloc: pools reserve gigabytes of addresses at once,
# which count against the limit of memory.
_SET = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "ARROW_DEFAULT_MEMORY_POOL": "system",
    "MALLOC_ARENA_MAX": "2",
    "MPLBACKEND": "agg",
}
_STDERR_BYTES = 16_000  # of its end are kept
# Between looks whether a silent child has ended, and one that has closed its pipes.
_TURN_S, _LAST_TURN_S = 0.05, 0.002
_READ_BYTES = 1 << 16


@dataclass(frozen=True)
class ChildLimits:
    """Bounds of one child; each is engineering judgement for the reason above it."""

    # Of addresses: an interpreter with numpy and HDF5 takes 0.3 GiB, with Arrow 0.7.
    memory_bytes: int = 2 * GIB
    # Of processor and wall clock: opening a thousand recordings takes 30 s.
    cpu_s: int = 60
    wall_s: float = 120.0
    # Of one file that it writes; an inspection writes none.
    file_bytes: int = MIB
    open_files: int = 256
    # Of JSON: a campaign of ten thousand runs takes 5 MB.
    result_bytes: int = 32 * MIB


class ChildError(IntakeError):
    """The function did not come to its end in the child.

    `stderr` is the end of what the child wrote there.
    """

    status, kind = 422, "unreadable"

    def __init__(self, problem: str, stderr: str = "") -> None:
        self.problem, self.stderr = problem, stderr
        super().__init__(f"the files could not be read: {problem}")


class ChildMemoryError(ChildError):
    """It needed more memory than it may have."""

    kind = "needs-memory"


class ChildTimeError(ChildError):
    """It took longer than it may, by the processor's clock or the one on the wall."""

    kind = "needs-time"


class ChildFileError(ChildError):
    """It wrote a file, or gave a result, longer than it may."""

    kind = "writes-too-much"


class ChildCrashError(ChildError):
    """It was ended by a signal, as by a fault in a library, or left without a word."""

    kind = "crashed"

    def __init__(self, problem: str, stderr: str = "", signal_number: int | None = None) -> None:
        self.signal_number = signal_number
        super().__init__(problem, stderr)


class ChildRaisedError(ChildError):
    """The function raised an error of its own."""

    kind = "raised"


def run_limited(
    function: Callable[..., Any], *arguments: Any, limits: ChildLimits | None = None
) -> Any:
    """What a module-level function returns, run in a child; its result as JSON carries it.

    Safe in a threaded server: nothing runs between fork and exec. The child and whatever it
    started in its group are killed before this returns, whatever happens.

    Raises
    ------
    ChildMemoryError, ChildTimeError, ChildFileError, ChildCrashError, ChildRaisedError
    """
    limits = limits or ChildLimits()
    with tempfile.TemporaryFile() as task:
        task.write(json.dumps(asdict(limits) | {"parent": os.getpid()}).encode() + b"\n")
        task.write(pickle.dumps((function, arguments)))
        task.seek(0)
        child = subprocess.Popen(
            [sys.executable, "-P", "-B", "-X", "faulthandler", "-m", f"{__package__}.child_main"],
            stdin=task,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=_environment(),
            cwd="/",
            start_new_session=True,
        )
    try:
        heard = _Heard(child, limits)
        heard.listen()
    finally:
        _end(child)
    return heard.result()


def _environment() -> dict[str, str]:
    kept = {name: os.environ[name] for name in _KEPT if name in os.environ}
    places = [str(Path(place).absolute()) for place in sys.path]
    return kept | _SET | {"PYTHONPATH": os.pathsep.join(places)}


def _end(child: subprocess.Popen[bytes]) -> None:
    """Kill what is left of the child's group; its number is not free before `wait`."""
    # None left, or none but the dead (macOS).
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid, signal.SIGKILL)
    child.wait()
    for pipe in (child.stdout, child.stderr):
        if pipe is not None:
            pipe.close()


class _Heard:
    """What comes from a child until it ends, or must be ended."""

    def __init__(self, child: subprocess.Popen[bytes], limits: ChildLimits) -> None:
        self._child, self._limits = child, limits
        self._said, self._stderr = bytearray(), bytearray()
        self._late = self._too_much = False

    def listen(self) -> None:
        """Return when the child has ended, at the latest when its time is over."""
        deadline = time.monotonic() + self._limits.wall_s
        with selectors.DefaultSelector() as open_pipes:
            for pipe, heard in (
                (self._child.stdout, self._said),
                (self._child.stderr, self._stderr),
            ):
                assert pipe is not None
                open_pipes.register(pipe, selectors.EVENT_READ, heard)
            while not self._too_much:
                ended = self._has_ended()  # before the last look at what it said
                left = deadline - time.monotonic()
                if left <= 0:
                    self._late = not ended
                    return
                turn = _TURN_S if open_pipes.get_map() else _LAST_TURN_S
                if not self._read(open_pipes, 0.0 if ended else min(left, turn)) and ended:
                    return

    def _read(self, open_pipes: selectors.BaseSelector, wait_s: float) -> bool:
        """Take what is there; whether there was anything."""
        taken = False
        for key, _ in open_pipes.select(wait_s):
            if data := os.read(key.fd, _READ_BYTES):
                key.data.extend(data)
                taken = True
            else:
                open_pipes.unregister(key.fileobj)
        del self._stderr[:-_STDERR_BYTES]
        self._too_much = len(self._said) > self._limits.result_bytes
        return taken

    def _has_ended(self) -> bool:
        """Whether it is dead; it is not reaped, so that its number stays its own."""
        options = os.WEXITED | os.WNOWAIT | os.WNOHANG
        return os.waitid(os.P_PID, self._child.pid, options) is not None

    def result(self) -> Any:
        """The function's result, or the error that says why there is none; after its end."""
        stderr = self._stderr.decode("utf-8", "replace")
        limits, code = self._limits, self._child.returncode
        if self._late:
            problem = f"it took longer than {limits.wall_s:g} s"
            raise ChildTimeError(f"{problem}; send fewer or smaller files", stderr)
        if self._too_much:
            problem = f"the result is longer than {size_text(limits.result_bytes)}"
            raise ChildFileError(f"{problem}; send fewer files", stderr)
        if code == -signal.SIGXCPU:
            problem = f"it took more than {limits.cpu_s} s of a processor"
            raise ChildTimeError(f"{problem}; send fewer or smaller files", stderr)
        if code < 0:
            raise _crash(-code, limits, stderr)
        return self._answer(stderr)

    def _answer(self, stderr: str) -> Any:
        try:
            answer = json.loads(self._said)
            outcome, value = answer["outcome"], answer["value"]
        except (ValueError, RecursionError, TypeError, KeyError) as error:
            problem = "the process that read them left without a word"
            raise ChildCrashError(problem, stderr) from error
        if outcome == "result":
            return value
        raise _failure(outcome, str(value), self._limits, stderr)


def _crash(number: int, limits: ChildLimits, stderr: str) -> ChildError:
    try:
        name = signal.Signals(number).name
    except ValueError:
        name = f"signal {number}"
    if number == signal.SIGABRT and any(word in stderr for word in ("bad_alloc", "out of memory")):
        return _no_memory(limits, stderr)
    why = ", perhaps since the machine ran out of memory" if number == signal.SIGKILL else ""
    problem = f"the process that read them crashed ({name}{why}); one of them may be damaged"
    return ChildCrashError(problem, stderr, number)


def _no_memory(limits: ChildLimits, stderr: str) -> ChildError:
    problem = f"it needed more than {size_text(limits.memory_bytes)} of memory"
    return ChildMemoryError(f"{problem}; one of them may state a size that is not its own", stderr)


def _failure(outcome: str, value: str, limits: ChildLimits, stderr: str) -> ChildError:
    if outcome == "memory":
        return _no_memory(limits, stderr)
    if outcome == "file":
        problem = f"a file longer than {size_text(limits.file_bytes)} was to be written"
        return ChildFileError(problem, stderr)
    return ChildRaisedError(value, stderr)
