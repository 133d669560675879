"""Functions run in processes that can do no harm, and whatever ends them is told by its name."""

from __future__ import annotations

import os
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from buffet.service.intake.children import (
    ChildCrashError,
    ChildError,
    ChildFileError,
    ChildLimits,
    ChildMemoryError,
    ChildRaisedError,
    ChildTimeError,
    run_limited,
)
from buffet.service.intake.limits import MIB
from tests.buffet.service.intake import child_tasks


def is_alive(pid: int) -> bool:
    """Whether a process runs still; one that only waits to be reaped does not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def test_a_child_hands_back_what_its_function_returns() -> None:
    """As JSON carries it; what is printed on the way does not mix in."""
    assert run_limited(child_tasks.add, 1, 2.5) == {"sum": 3.5}


def test_a_child_knows_no_secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the environment only what programs need to run."""
    monkeypatch.setenv("BUFFET_DATABASE_PASSWORD", "hunter2")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "hunter2")
    monkeypatch.setenv("PYTHONSTARTUP", "/tmp/x.py")

    known = run_limited(child_tasks.environment)

    assert "hunter2" not in known.values()
    assert "PYTHONSTARTUP" not in known
    assert known["PATH"] == os.environ["PATH"]


def test_a_child_stands_alone() -> None:
    """In a group of its own, away from the server's files and folder."""
    with open(os.devnull) as held:
        os.set_inheritable(held.fileno(), True)
        found = run_limited(child_tasks.circumstances)

    assert found["group"] == found["pid"] != os.getpgid(0)
    assert found["cwd"] == "/"
    assert len(found["handles"]) == 4  # the three usual ones and the result's


FAILURES: list[tuple[Any, tuple[Any, ...], dict[str, Any], type[ChildError], str]] = [
    (child_tasks.swallow_memory, (), {}, ChildMemoryError, "needed more than 2 GiB of memory"),
    (child_tasks.burn, (), {"cpu_s": 1}, ChildTimeError, "more than 1 s of a processor"),
    (child_tasks.sleep_for, (60,), {"wall_s": 0.5}, ChildTimeError, "longer than 0.5 s"),
    (child_tasks.segfault, (), {}, ChildCrashError, r"crashed \(SIGSEGV\); one of them may be"),
    (child_tasks.abort, (), {}, ChildCrashError, r"crashed \(SIGABRT\)"),
    (child_tasks.vanish, (), {}, ChildCrashError, "left without a word"),
    (child_tasks.open_many, (), {}, ChildRaisedError, "OSError: .*Too many open files"),
    (child_tasks.shout, (), {}, ChildRaisedError, "ValueError: too much <b>noise</b>"),
    (child_tasks.not_json, (), {}, ChildRaisedError, "not JSON compliant"),
    (child_tasks.long_result, (), {"result_bytes": MIB}, ChildFileError, "longer than 1 MiB"),
    (child_tasks.say, ("[" * 100_000,), {}, ChildCrashError, "left without a word"),
    (child_tasks.say, ('"text"',), {}, ChildCrashError, "left without a word"),
    (child_tasks.say, ('{"outcome": 1}',), {}, ChildCrashError, "left without a word"),
]


@pytest.mark.parametrize(
    ("function", "arguments", "bounds", "error", "problem"),
    FAILURES,
    ids=[f"{case[0].__name__}-{i}" for i, case in enumerate(FAILURES)],
)
def test_each_way_to_fail_has_its_own_error(
    function: Any,
    arguments: tuple[Any, ...],
    bounds: dict[str, Any],
    error: type[ChildError],
    problem: str,
) -> None:
    """Memory, time, signals, silence, errors of the function, and results that are none."""
    with pytest.raises(error, match=problem) as caught:
        run_limited(function, *arguments, limits=ChildLimits(**bounds))

    assert type(caught.value) is error
    assert str(caught.value).startswith("the files could not be read: ")
    assert caught.value.status == 422
    assert len(caught.value.stderr) <= 16_000


def test_a_crash_tells_its_signal_and_where() -> None:
    """By the trace that the interpreter leaves."""
    with pytest.raises(ChildCrashError) as caught:
        run_limited(child_tasks.segfault)

    assert caught.value.signal_number == signal.SIGSEGV
    assert "child_tasks.py" in caught.value.stderr


def test_a_child_writes_no_long_files(tmp_path: Path) -> None:
    """Neither does a core dump stay."""
    path = tmp_path / "long"

    with pytest.raises(ChildFileError, match="a file longer than 1 MiB was to be written"):
        run_limited(child_tasks.write_file, str(path), 2 * MIB)

    assert path.stat().st_size <= MIB
    run_limited(child_tasks.write_file, str(path), MIB)


@pytest.mark.parametrize("function", [child_tasks.fork_and_wait, child_tasks.fork_and_hang])
def test_what_a_child_starts_ends_with_it(tmp_path: Path, function: Any) -> None:
    """A process left behind holds the pipes open: it is not waited for, and gone."""
    path = tmp_path / "pid"
    begun = time.monotonic()

    try:
        run_limited(function, str(path), limits=ChildLimits(wall_s=1.5))
    except ChildTimeError:
        assert function is child_tasks.fork_and_hang

    assert time.monotonic() - begun < 10.0
    left_behind = int(path.read_text())
    while is_alive(left_behind) and time.monotonic() - begun < 20.0:  # a signal takes a moment
        time.sleep(0.01)
    assert not is_alive(left_behind)


def test_threads_may_start_children_at_once() -> None:
    """As a server does."""
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda n: run_limited(child_tasks.add, n, n), range(8)))

    assert found == [{"sum": 2 * n} for n in range(8)]


def test_nothing_of_a_child_stays_open() -> None:
    """Handles are closed, also where it fails."""
    handles = len(os.listdir("/proc/self/fd"))

    run_limited(child_tasks.add, 1, 2)
    with pytest.raises(ChildCrashError):
        run_limited(child_tasks.vanish)

    assert len(os.listdir("/proc/self/fd")) == handles
