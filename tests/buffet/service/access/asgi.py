"""A small application behind the guard, and requests to it, head by head."""

from __future__ import annotations

import json
from collections.abc import Iterable, MutableMapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import anyio
from sqlalchemy import Engine

from buffet.service.access.guard import Guard, Receive, Scope, Send
from buffet.service.access.roles import Role, require
from buffet.service.errors import ServiceError, problem
from buffet.service.settings import ServiceSettings

SECRET = b"s" * 32
LOCAL = ServiceSettings(Path("service"))
OUTSIDE = ServiceSettings(
    Path("service"),
    host="192.0.2.5",
    port=443,
    names=("tunnel.example",),
    tls_certificate=Path("c"),
    tls_key=Path("k"),
)
BEHIND = ServiceSettings(Path("service"), names=("tunnel.example",), proxy="192.0.2.1")


class Clock:
    """A time that passes when told."""

    def __init__(self, now: float) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    fields: tuple[tuple[str, str], ...]
    body: bytes

    def field(self, name: str) -> str | None:
        """A header field; None where it is missing, an error where it comes twice."""
        found = [value for own, value in self.fields if own == name]
        assert len(found) <= 1, found
        return found[0] if found else None

    @property
    def json(self) -> dict[str, Any]:
        """The body as a document."""
        document: dict[str, Any] = json.loads(self.body)
        return document


async def application(scope: Scope, receive: Receive, send: Send) -> None:
    """Tells what the guard found out; `/engineer` and `/owner` want that role."""
    state, word = scope["state"], scope["path"].strip("/")
    told = {name: value for name, value in state.items() if not callable(value)}
    status, body = 200, {**told, "client": scope["client"][0], "scheme": scope["scheme"]}
    body["principal"] = state["principal"] and state["principal"].name
    try:
        if word in ("engineer", "owner"):
            require(state["principal"], Role.of(word))
    except ServiceError as error:
        status, body = error.status, problem(error)
    fields = [(b"Content-Type", b"application/json"), (b"X-Frame-Options", b"ALLOWALL")]
    if word == "report":
        fields += [(b"Content-Security-Policy", b"sandbox"), (b"Cache-Control", b"private")]
    await send({"type": "http.response.start", "status": status, "headers": fields})
    await send({"type": "http.response.body", "body": json.dumps(body).encode()})


def guarded(engine: Engine, settings: ServiceSettings, clock: Clock) -> Guard:
    """The application behind its guard."""
    return Guard(application, settings, engine, SECRET, clock)


def ask(
    guard: Guard,
    path: str = "/",
    method: str = "GET",
    *more: tuple[str, str],
    host: str | None = None,
    client: str = "192.0.2.77",
    **fields: str | None,
) -> Answer:
    """Send a request; `X_Y="z"` is a field `X-Y: z`, `more` fields that come again."""
    host = host or min(guard.hosts.hosts)
    named = [(name.replace("_", "-"), text) for name, text in fields.items() if text is not None]
    target, _, query = path.partition("?")
    scope = {
        "type": "http",
        "method": method,
        "path": target,
        "query_string": query.encode(),
        "headers": _encoded([("Host", host), *named, *more]),
        "client": (client, 5000),
        "scheme": guard.hosts.scheme,
    }
    sent: list[MutableMapping[str, Any]] = []

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    async def receive() -> MutableMapping[str, Any]:
        return {"type": "http.request", "body": b""}

    anyio.run(guard, scope, receive, send)
    head, *bodies = sent
    headers = tuple((name.decode(), value.decode()) for name, value in head["headers"])
    return Answer(head["status"], headers, b"".join(one["body"] for one in bodies))


def _encoded(fields: Iterable[tuple[str, str]]) -> list[tuple[bytes, bytes]]:
    return [(name.lower().encode("latin-1"), text.encode("latin-1")) for name, text in fields]
