"""The inside of `children.run_limited`: takes its bounds, then a function, and says its result."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import pickle
import resource
import signal
import sys
from typing import Any

_NICER = 5  # than the server, whose pages go first
_PR_SET_PDEATHSIG = 1  # of prctl(2), Linux


def main() -> None:
    """Read the task from standard input, and leave by a way that runs nothing more."""
    result_handle = os.dup(1)
    os.dup2(2, 1)  # what a library prints is no result
    task = sys.stdin.buffer
    limits = json.loads(task.readline())
    _die_with(limits["parent"])
    _limit(limits)
    os.nice(_NICER)
    answer = _answer(task.read()).encode()
    with contextlib.suppress(BrokenPipeError), os.fdopen(result_handle, "wb") as result:
        result.write(answer)
    sys.stderr.flush()
    os._exit(0)


def _limit(limits: dict[str, Any]) -> None:
    bounds = {
        resource.RLIMIT_AS: limits["memory_bytes"],
        resource.RLIMIT_FSIZE: limits["file_bytes"],
        resource.RLIMIT_NOFILE: limits["open_files"],
        resource.RLIMIT_CORE: 0,
    }
    for kind, bound in bounds.items():
        _, hard = resource.getrlimit(kind)
        most = bound if hard == resource.RLIM_INFINITY else min(bound, hard)
        resource.setrlimit(kind, (most, most))
    # One second between the signal that says so and the one that cannot be put off.
    resource.setrlimit(resource.RLIMIT_CPU, (limits["cpu_s"], limits["cpu_s"] + 1))


def _die_with(parent: int) -> None:
    """Be killed when the server is, however it ends."""
    if sys.platform != "linux":
        return
    import ctypes

    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:  # it ended before
        os._exit(1)


def _answer(task: bytes) -> str:
    try:
        function, arguments = pickle.loads(task)
        return _said("result", function(*arguments))
    except MemoryError:
        return _said("memory")
    except OSError as error:
        if error.errno == errno.ENOMEM:
            return _said("memory")
        return _said("file") if error.errno == errno.EFBIG else _raised(error)
    except Exception as error:
        return _raised(error)


def _said(outcome: str, value: Any = None) -> str:
    return json.dumps({"outcome": outcome, "value": value}, allow_nan=False)


def _raised(error: Exception) -> str:
    import traceback

    traceback.print_exc()
    return _said("raised", f"{type(error).__name__}: {str(error)[:1000]}")


if __name__ == "__main__":
    main()
