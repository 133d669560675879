"""What memory is free: of this machine, and of the groups of processes that we are in."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

WITHOUT_ANY_WORD_BYTES = 4e9  # where the system does not say what is free


@dataclass(frozen=True)
class _Words:
    """How one version of Linux's control groups calls its files, and pages that were but read."""

    most: str
    used: str
    let_go: str  # line of memory.stat


_VERSION_1 = _Words("memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file")
_VERSION_2 = _Words("memory.max", "memory.current", "inactive_file")


def free_bytes(root: Path = Path("/")) -> float:
    """The least of what machine and groups have left; `root` is where /proc and /sys lie."""
    return min((*_system_free(root), *_groups_free(root)), default=WITHOUT_ANY_WORD_BYTES)


def _system_free(root: Path) -> Iterator[float]:
    with suppress(OSError, ValueError):
        yield 1024.0 * _line(root / "proc" / "meminfo", "MemAvailable:")
        return
    with suppress(AttributeError, OSError, ValueError):
        yield float(os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))


def _groups_free(root: Path) -> Iterator[float]:
    """Of our own group and those around it, each of which may have a limit."""
    groups = root / "sys" / "fs" / "cgroup"
    with suppress(OSError, ValueError):
        for line in (root / "proc" / "self" / "cgroup").read_text().splitlines():
            _, controllers, place = line.split(":", 2)
            if not controllers:
                yield from _left(groups, place, _VERSION_2)
            elif "memory" in controllers.split(","):
                yield from _left(groups / "memory", place, _VERSION_1)


def _left(top: Path, place: str, words: _Words) -> Iterator[float]:
    """A container may see its own group as the topmost, under whatever place it has outside."""
    parts = [part for part in place.split("/") if part]
    if ".." in parts:
        parts = []
    for depth in range(len(parts), -1, -1):
        group = top.joinpath(*parts[:depth])
        with suppress(OSError, ValueError):  # "max": no limit
            most = int((group / words.most).read_text())
            used = int((group / words.used).read_text())
            let_go = 0
            with suppress(OSError, ValueError):
                let_go = _line(group / "memory.stat", words.let_go)
            yield float(max(most - max(used - let_go, 0), 0))


def _line(file: Path, word: str) -> int:
    """The number behind a word; raises ValueError where it is not there."""
    for line in file.read_text().splitlines():
        first, *rest = line.split() or [""]
        if first == word and rest:
            return int(rest[0])
    raise ValueError(f"{file}: no {word}")
