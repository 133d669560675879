"""One line and one count for each request, those that the guard refused among them.

Plain ASGI, so that bodies and event streams pass as they come. It stands around the guard; who
asked and which route answered is only known inside, from where `noting` tells it.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from typing import Any

from buffet.service.access.roles import Principal
from buffet.service.access.tokens import without_tokens
from buffet.service.logs import REQUEST_ID
from buffet.service.metrics import Metrics

LOG = logging.getLogger("buffet.service.requests")
HEADER = b"x-request-id"
QUIET = ("/healthz", "/metrics", "/static/")  # asked for all the time: told where they fail
Message = MutableMapping[str, Any]
Scope = dict[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]
_KEY = "asked"


@dataclass
class Asked:
    """A request, as far as it is known."""

    id: str = field(default_factory=lambda: secrets.token_hex(8))
    user: str | None = None
    route: str | None = None
    status: int = 500  # where the answer never began
    n_bytes: int = 0
    is_stream: bool = False


def logged(app: App, metrics: Metrics) -> App:
    """An application whose requests are logged and counted; answers carry X-Request-Id.

    Of a request's head the method and the path are told, never the query, a cookie or a token.
    """

    async def outer(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        asked = Asked()
        started = time.perf_counter()
        token = REQUEST_ID.set(asked.id)
        state = {**scope.get("state", {}), _KEY: asked}
        try:
            await app({**scope, "state": state}, receive, _observed(send, asked))
        finally:
            _tell(scope, asked, time.perf_counter() - started, metrics)
            REQUEST_ID.reset(token)

    return outer


def noting(app: App) -> App:
    """The application inside the guard: notes who asked and which route answered."""

    async def inner(scope: Scope, receive: Receive, send: Send) -> None:
        asked = scope.get("state", {}).get(_KEY) if scope["type"] == "http" else None
        if asked is None:
            await app(scope, receive, send)
            return
        principal: Principal | None = scope["state"].get("principal")
        asked.user = None if principal is None else principal.name
        try:
            await app(scope, receive, send)
        finally:
            asked.route = getattr(scope.get("route"), "path", None)

    return inner


def _observed(send: Send, asked: Asked) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            asked.status = message["status"]
            headers = list(message.get("headers", ()))
            kinds = [value for name, value in headers if name.lower() == b"content-type"]
            asked.is_stream = any(kind.startswith(b"text/event-stream") for kind in kinds)
            message = {**message, "headers": [*headers, (HEADER, asked.id.encode())]}
        elif message["type"] == "http.response.body":
            asked.n_bytes += len(message.get("body", b""))
        await send(message)

    return sent


def _tell(scope: Scope, asked: Asked, duration_s: float, metrics: Metrics) -> None:
    metrics.answered(
        scope["method"], asked.route, asked.status, duration_s, is_stream=asked.is_stream
    )
    path = without_tokens(str(scope["path"]))
    level = logging.DEBUG if path.startswith(QUIET) and asked.status < 400 else logging.INFO
    told = {
        "method": scope["method"],
        "path": path if path.isprintable() else ascii(path)[1:-1],
        "status": asked.status,
        "duration_ms": round(1000 * duration_s, 1),
        "bytes": asked.n_bytes,
        "user": asked.user,
    }
    LOG.log(level, "answered", extra=told)
