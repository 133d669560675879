"""Answers of processes: in memory that is mapped where it can be, else by the pipe; the same."""

from __future__ import annotations

import io
import os
from pathlib import Path
from unittest.mock import Mock

import pytest

from buffet.workers.memory_file import mapped, written
from buffet.workers.process import WorkerProcess
from buffet.workers.worker import _give

CONTENT = [b"head", bytes(range(256)) * 100, memoryview(b"tail")]
WHOLE = b"".join(CONTENT)


def test_what_is_mapped_is_ours() -> None:
    """Written to without the file's knowing, by no descriptor, gone with the last that uses it."""
    elsewhere = _maps()
    descriptor = written(CONTENT)
    assert descriptor is not None
    before = len(os.listdir("/proc/self/fd"))
    found = mapped(os.getpid(), descriptor, len(WHOLE))
    assert len(os.listdir("/proc/self/fd")) == before
    assert found == WHOLE
    part = found[4:10]
    part[0] = 7
    assert os.pread(descriptor, len(WHOLE), 0) == WHOLE
    os.close(descriptor)
    del found
    assert bytes(part) == bytes([7, 1, 2, 3, 4, 5])
    assert _maps() == elsewhere + 1
    del part
    assert _maps() == elsewhere


def _maps() -> int:
    return Path("/proc/self/maps").read_text(encoding="utf-8").count("memfd:answer")


@pytest.mark.parametrize("has_memory_files", [True, False])
def test_an_answer_arrives_either_way(
    has_memory_files: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without memory files it follows in the pipe."""
    if not has_memory_files:
        monkeypatch.delattr(os, "memfd_create")
    pipe = io.BytesIO()
    given = _give(pipe, list(CONTENT))
    assert (given is not None) is has_memory_files
    assert (len(pipe.getvalue()) < len(WHOLE)) is has_memory_files
    pipe.seek(0)
    found = WorkerProcess._received(Mock(pid=os.getpid()), pipe)
    if given is not None:
        os.close(given)

    assert found == WHOLE


def test_a_file_that_cannot_be_had_is_an_error() -> None:
    """Of the system, as all that a process that is gone gives rise to."""
    with pytest.raises(FileNotFoundError):
        mapped(os.getpid(), 1_000_000, 10)
