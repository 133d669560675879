"""What several test processes need, computed by the first of them alone."""

from __future__ import annotations

import fcntl
import os
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T", bound=Callable[[], Any])
# The folder of one test run, which `tests/conftest.py` names.
FOLDER = "BUFFET_TESTS_SHARED"


def computed_once(compute: T) -> T:
    """Decorate a function without arguments: once in a test run, whichever process comes first.

    The others wait, and unpickle an equal object of their own. What is to be held against another
    process's result must not come from here.
    """
    known: list[Any] = []

    def once() -> Any:
        if not known:
            folder = os.environ.get(FOLDER)
            known.append(compute() if folder is None else _shared(compute, Path(folder)))
        return known[0]

    return once  # type: ignore[return-value]


def _shared(compute: Callable[[], Any], folder: Path) -> Any:
    file = folder / f"{compute.__module__}.{compute.__qualname__}.pickle"
    with file.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if file.exists():
            return pickle.loads(file.read_bytes())
        found = compute()
        data = pickle.dumps(found)
        file.write_bytes(data)
        return found
