"""Fifty readers and five uploaders of one server at once; every answer is looked at."""

from __future__ import annotations

import asyncio
import io
import itertools
import tempfile
import time
import zipfile
from collections import defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import numpy as np

from buffet.service.access import tokens
from buffet.service.access.roles import Role
from buffet.service.database.engine import writing
from buffet.service.database.migrate import migrate
from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import two_configurations
from tests.buffet.service.databases import opened
from tests.buffet.service.process import Server
from tests.buffet.service.served import zipped

READERS, UPLOADERS = 50, 5
SECONDS = 4.0
PATIENCE_S = 120.0


@dataclass
class Load:
    """What was measured."""

    seconds: float = 0.0
    waits_s: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    errors: list[str] = field(default_factory=list)
    peak_bytes: int = 0

    def reads(self) -> list[float]:
        """Of all kinds."""
        return [wait for kind, waits in self.waits_s.items() if kind != "upload" for wait in waits]

    def lines(self) -> list[str]:
        """The figures in words."""
        kinds = [*sorted(self.waits_s.items()), ("all reads", self.reads())]
        return [self.line(kind, waits) for kind, waits in kinds] + [
            f"peak memory {self.peak_bytes / 2**20:.0f} MiB; {len(self.errors)} errors"
        ]

    def line(self, kind: str, waits: list[float]) -> str:
        """Of one kind of request."""
        p50, p95, p99 = (
            np.quantile(waits, q) * 1000 if waits else np.nan for q in (0.5, 0.95, 0.99)
        )
        rate = len(waits) / self.seconds
        return f"{kind:12} {rate:7.1f} a second, p50 {p50:6.0f}, p95 {p95:6.0f}, p99 {p99:6.0f} ms"


def load(settings: ServiceSettings, seconds: float, kind: str) -> Load:
    """Load a new service; `kind` is that of the result that is read."""
    secrets = _tokens(settings)
    server = Server.of(settings)
    try:
        found = asyncio.run(_talk(server.address, secrets, seconds, kind))
        found.peak_bytes = server.peak_bytes
    finally:
        server.stop()
    return found


def _tokens(settings: ServiceSettings) -> list[str]:
    """One a client: each may ask so often a minute."""
    settings.folder.mkdir(exist_ok=True)
    with opened(settings) as engine:
        migrate(engine)
        with writing(engine) as connection:
            return [
                tokens.make(connection, f"client {number}", Role.ENGINEER, time.time())[0]
                for number in range(READERS + UPLOADERS)
            ]


def archives() -> Callable[[int], bytes]:
    """Small campaigns by number, no two alike."""
    with tempfile.TemporaryDirectory() as folder:
        first = zipped(two_configurations(Path(folder) / "campaign", SECONDS))
    packed = zipfile.ZipFile(io.BytesIO(first))
    files = {name: packed.read(name) for name in packed.namelist()}

    def made(number: int) -> bytes:
        data = io.BytesIO()
        with zipfile.ZipFile(data, "w") as archive:
            for name, content in files.items():
                own = content.replace(b"Hatchback", f"Hatchback {number}".encode())
                archive.writestr(name, own if name == "campaign.toml" else content)
        return data.getvalue()

    return made


@asynccontextmanager
async def _client(address: str, secret: str) -> AsyncIterator[httpx.AsyncClient]:
    head = {"Authorization": f"Bearer {secret}"}
    async with httpx.AsyncClient(base_url=address, headers=head, timeout=PATIENCE_S) as client:
        yield client


async def _talk(address: str, secrets: list[str], seconds: float, kind: str) -> Load:
    made, found = archives(), Load()
    async with _client(address, secrets[0]) as client:
        answer = await _upload(client, made(0))
        assert answer.status_code == 201, answer.text
        result = await _computed(client, kind)
    begin = time.monotonic()
    numbers, until = itertools.count(1), begin + seconds
    readers = [_read(address, secret, result, until, found) for secret in secrets[:READERS]]
    uploaders = [
        _upload_many(address, secret, made, numbers, until, found) for secret in secrets[READERS:]
    ]
    await asyncio.gather(*readers, *uploaders)
    found.seconds = time.monotonic() - begin
    return found


async def _upload(client: httpx.AsyncClient, archive: bytes) -> httpx.Response:
    kind = {"Content-Type": "application/zip"}
    return await client.post("/api/campaigns", content=archive, headers=kind)


async def _computed(client: httpx.AsyncClient, kind: str) -> str:
    """Address of a result of campaign 1."""
    job = (await client.post("/api/campaigns/1/jobs", json={"kind": kind})).json()
    until = time.monotonic() + PATIENCE_S
    while job["state"] in ("queued", "running"):
        assert time.monotonic() < until, job
        await asyncio.sleep(0.1)
        job = (await client.get(job["address"])).json()
    assert job["state"] == "done", job
    return str(job["result"])


async def _read(address: str, secret: str, result: str, until: float, found: Load) -> None:
    """A list, a campaign, a result with what the client has of it, runs and a page, in turn."""
    tags: dict[str, str] = {}
    places = {
        "list": "/api/campaigns",
        "campaign": "/api/campaigns/1",
        "result": result,
        "runs": "/api/campaigns/1/runs",
        "page": "/campaigns/1",
    }
    async with _client(address, secret) as client:
        for kind, place in itertools.cycle(places.items()):
            if time.monotonic() > until:
                return
            head = {"If-None-Match": tags[place]} if place in tags else {}
            answer = await _timed(client.get(place, headers=head), kind, found)
            if answer is not None and "etag" in answer.headers:
                tags[place] = answer.headers["etag"]
            if answer is not None and answer.status_code != (304 if head else 200):
                found.errors.append(f"{kind}: {answer.status_code} {answer.text[:200]}")


async def _upload_many(
    address: str,
    secret: str,
    made: Callable[[int], bytes],
    numbers: Iterator[int],
    until: float,
    found: Load,
) -> None:
    async with _client(address, secret) as client:
        while time.monotonic() < until:
            number = next(numbers)
            answer = await _timed(_upload(client, made(number)), "upload", found)
            if answer is not None and answer.status_code != 201:
                found.errors.append(f"upload: {answer.status_code} {answer.text[:200]}")


async def _timed(asked: Awaitable[httpx.Response], kind: str, found: Load) -> httpx.Response | None:
    begin = time.monotonic()
    try:
        answer = await asked
    except httpx.HTTPError as error:
        found.errors.append(f"{kind}: {error!r}")
        return None
    found.waits_s[kind].append(time.monotonic() - begin)
    return answer
