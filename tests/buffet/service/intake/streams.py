"""Bodies as a server hands them over."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable
from pathlib import Path
from typing import Any


async def pieces(*given: bytes) -> AsyncIterator[bytes]:
    """One piece after another."""
    for piece in given:
        yield piece


async def cut_off(*given: bytes) -> AsyncIterator[bytes]:
    """A client that leaves."""
    for piece in given:
        yield piece
    raise ConnectionError("the client left")


def split(body: bytes, n_bytes: int) -> Iterable[bytes]:
    """A body in pieces of this length."""
    return (body[i : i + n_bytes] for i in range(0, len(body), n_bytes))


def done(coroutine: Coroutine[Any, Any, Any]) -> Any:
    """What a coroutine returns."""
    return asyncio.run(coroutine)


def left_in(folder: Path) -> list[str]:
    """What stays in a folder."""
    return sorted(path.name for path in folder.iterdir())


def full_disk(monkeypatch: Any, after: int) -> None:
    """Let every write beyond so many bytes fail, as on a full disk."""
    import errno
    import os

    written = 0
    write: Callable[..., int] = os.write

    def limited(handle: int, data: Any) -> int:
        nonlocal written
        written += len(data)
        if written > after:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(handle, data)

    monkeypatch.setattr("buffet.service.intake.disk.os.write", limited)
