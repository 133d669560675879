"""A service in a process of its own, as people start it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx

PATIENCE_S = 60.0


class Running:
    """The process and where it answers."""

    def __init__(self, process: subprocess.Popen[str], log: Path) -> None:
        assert process.stderr is not None
        self.process, self.log = process, log
        with log.open("a") as kept:
            for line in process.stderr:
                kept.write(line)
                if line.startswith("serving "):
                    self.address = line.rsplit(" ", 1)[1].strip().rstrip("/")
                    return
        raise AssertionError(log.read_text())

    def client(self) -> httpx.Client:
        """Sends what a page of its own would."""
        headers = {"Origin": self.address}
        return httpx.Client(base_url=self.address, headers=headers, timeout=PATIENCE_S)

    def stop(self, number: int = signal.SIGTERM) -> int:
        """Send it a signal; its exit code. What it logged since stands in `log`."""
        self.process.send_signal(number)
        _, told = self.process.communicate(timeout=PATIENCE_S)
        with self.log.open("a") as kept:
            kept.write(told)
        return self.process.returncode


@contextmanager
def running(folder: Path, *options: str) -> Iterator[Running]:
    """`buffet serve` on a free port of this machine, killed at the end where it still runs."""
    command = [sys.executable, "-m", "buffet", "serve", str(folder), "--port", "0", *options]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    with subprocess.Popen(
        command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, env=environment
    ) as process:
        try:
            yield Running(process, folder.parent / f"{folder.name}.log")
        finally:
            with suppress(ProcessLookupError):
                process.kill()
