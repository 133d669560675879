"""A service that answers on loopback, in a thread of the test, and what to send it."""

from __future__ import annotations

import io
import socket
import threading
import time
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from buffet.service.app import guarded
from buffet.service.connections import Connection
from buffet.service.settings import ServiceSettings
from buffet.service.state import Service

PATIENCE_S = 120.0


@dataclass(frozen=True)
class Served:
    """A running service and a client on the same machine."""

    service: Service
    client: httpx.Client

    @property
    def address(self) -> str:
        """Of the service."""
        return str(self.client.base_url).rstrip("/")

    def post(self, path: str, document: Any = None, **more: Any) -> httpx.Response:
        """As a page of the service would."""
        headers = {"Origin": self.address, **more.pop("headers", {})}
        if document is not None:
            more["json"] = document
        return self.client.post(path, headers=headers, **more)

    def delete(self, path: str, **headers: str) -> httpx.Response:
        """As a page of the service would."""
        return self.client.delete(path, headers={"Origin": self.address, **headers})

    def upload(self, archive: bytes, **headers: str) -> httpx.Response:
        """A campaign as a zip archive."""
        kind = {"Content-Type": "application/zip", **headers}
        return self.post("/api/campaigns", content=archive, headers=kind)

    def ended(self, job: dict[str, Any]) -> dict[str, Any]:
        """A job once it has ended."""
        until = time.monotonic() + PATIENCE_S
        while job["state"] in ("queued", "running"):
            assert time.monotonic() < until, job
            time.sleep(0.05)
            job = self.client.get(job["address"]).json()
        return job


@contextmanager
def serving(settings: ServiceSettings, **more: Any) -> Iterator[Served]:
    """A service on a free port of loopback, stopped at the end."""
    with closing(socket.socket()) as bound:
        bound.bind(("127.0.0.1", 0))
        port = bound.getsockname()[1]
        service = Service(replace(settings, **{"port": port, "workers": 1, **more}))
        config = uvicorn.Config(
            guarded(service), http=Connection, log_config=None, timeout_graceful_shutdown=2
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]})
        thread.start()
        try:
            address = f"http://127.0.0.1:{port}"
            with httpx.Client(base_url=address, timeout=60.0, verify=False) as client:
                _await(client)
                yield Served(service, client)
        finally:
            server.should_exit = True
            thread.join()


def _await(client: httpx.Client) -> None:
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            assert client.get("/healthz").status_code == 200
            return
        except httpx.TransportError:
            assert time.monotonic() < until
            time.sleep(0.02)


def zipped(folder: Path) -> bytes:
    """A folder as a zip archive."""
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                archive.write(path, path.relative_to(folder).as_posix())
    return data.getvalue()
