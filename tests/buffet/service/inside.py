"""A service that is asked without a server or workers: its whole application, in one loop."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import anyio
import httpx
from sqlalchemy import select

from buffet.service import catalogue
from buffet.service.access import tokens
from buffet.service.access.form_tokens import form_token
from buffet.service.access.guard import Guard
from buffet.service.access.rate_limits import Buckets, RateLimits
from buffet.service.access.roles import Role
from buffet.service.access.sessions import begin
from buffet.service.app import guard_of
from buffet.service.database.engine import reading, writing
from buffet.service.database.tables import METADATA
from buffet.service.intake.disk import store_text
from buffet.service.jobs import queue
from buffet.service.settings import ServiceSettings
from buffet.service.state import Service

ORIGIN = "http://127.0.0.1:8000"
MANY = 1e9
USED = {"used_at"}  # changes with whoever looks
T = TypeVar("T")


@dataclass(frozen=True)
class Inside:
    """A service and its door."""

    service: Service
    guard: Guard

    def run(self, talk: Callable[[httpx.AsyncClient], Awaitable[T]]) -> T:
        """What comes of a talk with it."""

        async def whole() -> T:
            async with self.client() as client:
                return await talk(client)

        return anyio.run(whole)

    @asynccontextmanager
    async def client(self) -> Any:
        """From this machine, under its own name."""
        transport = httpx.ASGITransport(
            self.guard, raise_app_exceptions=False, client=("127.0.0.1", 5000)
        )
        async with httpx.AsyncClient(transport=transport, base_url=ORIGIN, timeout=60) as client:
            yield client

    def token(self, name: str, role: Role, now: float, lifetime_s: float = 86400.0) -> str:
        """One of a role."""
        with writing(self.service.engine) as connection:
            secret, _ = tokens.make(connection, name, role, now, lifetime_s)
        self.guard.identities.forget()
        return secret

    def session(self, secret: str, now: float) -> tuple[str, str]:
        """A cookie of a browser that was signed in with a token, and its form token."""
        with writing(self.service.engine) as connection:
            token = tokens.authenticate(connection, secret, now)
            assert token is not None
            value = begin(connection, token, now).value
        return f"buffet_session={value}", form_token(self.service.secret, value)

    def state(self) -> dict[str, Any]:
        """Everything that is kept: rows, but for who looked when, and files."""
        found: dict[str, Any] = {}
        with reading(self.service.engine) as connection:
            for table in METADATA.sorted_tables:
                columns = [column for column in table.c if column.name not in USED]
                found[table.name] = sorted(map(str, connection.execute(select(*columns))))
        folder = self.service.settings.folder
        found["files"] = sorted(
            str(path) for path in folder.rglob("*") if not path.name.startswith("catalogue.sqlite")
        )
        return found


@contextmanager
def inside(settings: ServiceSettings) -> Iterator[Inside]:
    """One whose limits of rates are out of the way; no job runs."""
    service = Service(replace(settings, port=8000, requests_per_minute=10**9))
    guard = guard_of(service)
    guard.limits = RateLimits(guard.limits.requests, Buckets("sign-ins", MANY, MANY))
    try:
        yield Inside(service, guard)
    finally:
        service.close()


def stored(service: Service, text: str) -> catalogue.StoredFile:
    """A text that the service keeps."""
    file = store_text(text, service.settings.places.incoming, 10**6, "a text")
    service.blobs.adopt(file.path, file.sha256)
    return catalogue.StoredFile("", file.sha256, file.size)


def add_campaign(service: Service, title: str = "Tails") -> int:
    """A campaign of a run, as if it had been inspected; its recording is a line of text."""
    files = [
        replace(stored(service, f"{title} {name}"), name=name)
        for name in ("campaign.toml", "runs/1.toml", "runs/1.csv")
    ]
    details = {"started": None, "speed_m_s": 40.0}
    run = catalogue.FoundRun("1", "wind-on", "bare", "runs/1.toml", ("runs/1.csv",), 9, details)
    found = catalogue.Found(title, "bare", ("bare",), (run,), ())
    with writing(service.engine) as connection:
        return catalogue.add(connection, found, files, "somebody")[0].id


def add_job(service: Service, campaign_id: int, state: str = "cancelled", **settings: Any) -> int:
    """A job that has ended."""
    with writing(service.engine) as connection:
        found = catalogue.campaign(connection, campaign_id)
        key = f"{len(settings):064d}"
        manifest = found.manifest_sha256
        job, _ = queue.add(connection, found.id, "check", settings, key, manifest, "nobody", 100)
        queue.end(connection, job.id, state)
        return job.id


def in_folder(folder: Path) -> ServiceSettings:
    """Of SQLite."""
    return ServiceSettings(folder)
