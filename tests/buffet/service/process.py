"""`buffet serve` as a process of its own, to be killed and started again."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import httpx

from buffet.service.settings import ServiceSettings

START_S = 60.0
_TOLD = re.compile(r"^serving .* at (http://\S+?)/?$", re.MULTILINE)


class Server:
    """A running server; its log stands beside its folder."""

    def __init__(self, settings: ServiceSettings, *more: str) -> None:
        words = ["serve", str(settings.folder), "--port", "0", "--workers", "1", *more]
        if settings.database_url is not None:
            words += ["--database", settings.database_url]
        self.log = settings.folder.with_suffix(".log")
        with self.log.open("wb") as log:
            self.process = subprocess.Popen([sys.executable, "-m", "buffet", *words], stderr=log)
        self.address = self._address()
        self._await()

    def _address(self) -> str:
        until = time.monotonic() + START_S
        while (told := _TOLD.search(self.log.read_text())) is None:
            assert self.process.poll() is None, self.log.read_text()
            assert time.monotonic() < until, self.log.read_text()
            time.sleep(0.02)
        return told[1]

    def _await(self) -> None:
        """Until it answers: the address is told as soon as it is bound."""
        until = time.monotonic() + START_S
        while True:
            with suppress(httpx.TransportError):
                assert httpx.get(f"{self.address}/healthz").status_code == 200
                return
            assert time.monotonic() < until, self.log.read_text()
            time.sleep(0.02)

    def kill(self) -> None:
        """As a power cut would, but for the disk's own memory."""
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        """As an administrator would."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(timeout=START_S)

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
