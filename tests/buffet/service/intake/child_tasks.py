"""What the tests have limited children do."""

from __future__ import annotations

import ctypes
import os
import sys
import time
from pathlib import Path
from typing import Any


def add(a: float, b: float) -> dict[str, float]:
    """Well behaved; what it prints is no result."""
    print("nothing to see")
    return {"sum": a + b}


def environment() -> dict[str, str]:
    """What the child knows of the server's environment."""
    return dict(os.environ)


def circumstances() -> dict[str, Any]:
    """Session, open handles, and whether standard input still holds anything."""
    handles = [h for h in range(64) if _is_open(h)]
    return {"group": os.getpgid(0), "pid": os.getpid(), "handles": handles, "cwd": os.getcwd()}


def _is_open(handle: int) -> bool:
    try:
        os.fstat(handle)
    except OSError:
        return False
    return True


def swallow_memory() -> int:
    """Four gigabytes."""
    return len(bytearray(4 << 30))


def burn() -> None:
    """A loop without end."""
    while True:
        pass


def sleep_for(seconds: float) -> None:
    """Wait, and take no processor."""
    time.sleep(seconds)


def segfault() -> None:
    """Read where nothing is."""
    ctypes.string_at(0)


def abort() -> None:
    """As a C library does that gives up."""
    os.abort()


def vanish() -> None:
    """End without a word."""
    os._exit(0)


def write_file(path: str, n_bytes: int) -> None:
    """A long file."""
    with Path(path).open("wb") as file:
        file.write(bytes(n_bytes))


def open_many() -> int:
    """More handles than may be."""
    return len([open(os.devnull) for _ in range(5000)])


def fork_and_wait(path: str) -> None:
    """Leave a process behind that holds the pipes, and another where it would be waited for."""
    child = os.fork()
    if child == 0:
        time.sleep(300)
    Path(path).write_text(str(child))


def fork_and_hang(path: str) -> None:
    """The same, and never come to an end."""
    fork_and_wait(path)
    time.sleep(300)


def shout() -> None:
    """Megabytes of complaints, and an error."""
    for number in range(50_000):
        print("complaint", number, file=sys.stderr)
    raise ValueError("too much <b>noise</b>")


def long_result() -> str:
    """A result of megabytes."""
    return "x" * 5_000_000


def not_json() -> Any:
    """What JSON cannot say."""
    return float("nan")


def say(text: str) -> None:
    """Write this where the result goes, and end."""
    for handle in range(3, 16):
        if _is_open(handle):
            try:
                os.write(handle, text.encode())
            except OSError:
                continue
    os._exit(0)


def read_all(folder: str) -> dict[str, Any]:
    """Every sample of every run: how many, or why not; and the most memory that it took."""

    from ingest import IngestError, open_campaign

    found: dict[str, Any] = {}
    for run in open_campaign(folder).runs:
        try:
            found[run.number] = sum(block.shape[1] for block in run.open().blocks())
        except IngestError as error:
            found[run.number] = str(error)
    return {"runs": found, "peak_bytes": _peak_bytes()}


def _peak_bytes() -> int:
    """Of this process alone: ru_maxrss begins with what its parent had when it was forked."""
    status = Path("/proc/self/status").read_text()
    (line,) = [line for line in status.splitlines() if line.startswith("VmHWM")]
    return int(line.split()[1]) * 1024
