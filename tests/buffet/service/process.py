"""`buffet serve` as a process of its own, to be killed and started again."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx

from buffet.service.settings import ServiceSettings

START_S = 60.0
_TOLD = re.compile(r"^serving .* at (https?://\S+?)/?$", re.MULTILINE)


class Server:
    """A running server: its process, its log and where it answers."""

    def __init__(self, words: Sequence[str], log: Path, folder: Path | None = None) -> None:
        """`words` as typed; `folder` to be in; it has begun to answer when this returns."""
        self.log = log
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        with log.open("wb") as told:
            self.process = subprocess.Popen(words, stderr=told, cwd=folder, env=environment)
        self.address = self._address()

    @classmethod
    def of(cls, settings: ServiceSettings, *more: str) -> Server:
        """With one worker, at a free port of this machine; its log stands beside its folder."""
        words = ["serve", str(settings.folder), "--port", "0", "--workers", "1", *more]
        if settings.database_url is not None:
            words += ["--database", settings.database_url]
        return cls([sys.executable, "-m", "buffet", *words], settings.folder.with_suffix(".log"))

    def _address(self) -> str:
        until = time.monotonic() + START_S
        while (told := _TOLD.search(self.log.read_text())) is None:
            assert self.process.poll() is None, self.log.read_text()
            assert time.monotonic() < until, self.log.read_text()
            time.sleep(0.02)
        return told[1]

    def client(self) -> httpx.Client:
        """Sends what a page of its own would; without certificates, whose reading takes time."""
        headers = {"Origin": self.address}
        return httpx.Client(base_url=self.address, headers=headers, timeout=START_S, verify=False)

    def kill(self) -> None:
        """As a power cut would, but for the disk's own memory."""
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        """As an administrator would; its exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout=START_S)

    @property
    def workers(self) -> list[int]:
        """Processes that analyse."""
        found = []
        for place in Path("/proc").glob("[0-9]*"):
            with suppress(OSError, IndexError):
                parent = (place / "stat").read_text().rpartition(")")[2].split()[1]
                words = (place / "cmdline").read_bytes().split(b"\0")
                if int(parent) == self.process.pid and b"buffet.service.jobs.worker" in words:
                    found.append(int(place.name))
        return found

    def kill_workers(self) -> int:
        """How many there were."""
        workers = self.workers
        for pid in workers:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        return len(workers)

    @property
    def peak_bytes(self) -> int:
        """Most memory that it ever had."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        found = re.search(r"VmHWM:\s+(\d+) kB", status)
        return int(found[1]) * 1024 if found else 0


@contextmanager
def running(server: Server) -> Iterator[Server]:
    """A server that is killed at the end where it still runs."""
    try:
        yield server
    finally:
        server.kill()
