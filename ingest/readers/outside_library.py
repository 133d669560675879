"""Libraries that not everyone has, and that say in words of their own what is wrong with a file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

from ingest.errors import RecordingError
from ingest.readers.stored_bytes import DEFLATE_RATIO

WRITE_ANEW = "copy the file again, or write it anew from the logger"
# A byte on disk can stand for as many samples of one column as deflate packs bytes into it, and a
# column that never changes may have more as long as it is read in an instant. Beyond that the
# number is damage or a trap.
_INSTANT_SAMPLES = 10_000_000


def load_library(path: Path, what: str, module: str) -> Any:
    """The library that reads a format; the message says how to get it where it is missing.

    Raises
    ------
    RecordingError
        It is not installed.
    """
    try:
        return import_module(module)
    except ImportError as fault:
        raise RecordingError(
            path,
            "",
            f"this is {what}, which needs {module.split('.')[0]} of the extra `formats` ({fault})",
            'install it with: pip install "buffeting[formats]"',
        ) from fault


@contextmanager
def library_call(path: Path, place: str = "") -> Iterator[None]:
    """What goes wrong in a library's call, as an error about the recording.

    Stands around single calls and never around a `yield` to whoever uses the samples.
    """
    try:
        yield
    except RecordingError:
        raise
    except FileNotFoundError:
        raise RecordingError(path, "", "there is no such file", "check `recording`") from None
    # On damaged files these libraries raise nearly anything: KeyError, TypeError, struct.error.
    except Exception as fault:
        words = " ".join(str(fault).split()) or type(fault).__name__
        raise RecordingError(path, place, f"the file is damaged ({words})", WRITE_ANEW) from fault


def refuse_absurd_length(path: Path, name: str, n: int) -> None:
    """Raise RecordingError where a file declares samples that its bytes cannot hold."""
    size = path.stat().st_size
    if n > max(_INSTANT_SAMPLES, DEFLATE_RATIO * size):
        raise RecordingError(
            path,
            f"column {name!r}" if name else "",
            f"{n} samples are declared, but the whole file has {size} bytes",
            WRITE_ANEW,
        )
