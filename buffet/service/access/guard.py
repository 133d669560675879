"""The door: every request passes here first, and nothing behind it is reached by accident.

A middleware of plain ASGI, so that bodies and event streams pass as they come. What it found out
stands in the request's state: `principal` (None on public pages alone), `address`, and `form_token`
for forms and `require_form_token` (None for who shows a token, and needs none);
`still_allowed` looks up again who asks, for answers that last; `allow_large_body` is called by who
takes files in.
"""

from __future__ import annotations

import json
import time
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import quote, unquote

from anyio import to_thread
from sqlalchemy import Engine

from buffet.service.access import sessions
from buffet.service.access.bodies import Body
from buffet.service.access.errors import (
    AmbiguousBodyError,
    NotSignedInError,
    SecretInAddressError,
)
from buffet.service.access.form_tokens import BROWSER_COOKIE, BROWSER_S, form_token
from buffet.service.access.hosts import hosts_of, require_host, require_origin
from buffet.service.access.identities import Identities, Shown
from buffet.service.access.peer import Head, Peer, peer_of
from buffet.service.access.rate_limits import RateLimits, network_of
from buffet.service.access.response_heads import Message, Send, with_security
from buffet.service.access.roles import Principal, Role, require
from buffet.service.access.signing_in import failed
from buffet.service.access.tokens import SHAPE
from buffet.service.errors import PROBLEM_TYPE, ServiceError, problem
from buffet.service.settings import ServiceSettings

Scope = dict[str, Any]
Receive = Callable[[], Awaitable[Message]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

PUBLIC = frozenset({"/login", "/healthz"})
PUBLIC_FOLDER = "/static/"
POLICY_VIOLATION = 1008  # of WebSockets, RFC 6455


class Guard:
    """Lets requests in to an application, or answers why not."""

    def __init__(
        self,
        app: App,
        settings: ServiceSettings,
        engine: Engine,
        secret: bytes,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.app, self.settings, self.secret, self.clock = app, settings, secret, clock
        self.hosts = hosts_of(settings)
        self.identities = Identities(engine, clock)
        self.limits = RateLimits.of(settings)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif scope["type"] == "http":
            await self._http(scope, receive, send)
        else:
            await send({"type": "websocket.close", "code": POLICY_VIOLATION})

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        head, is_encrypted = Head.of(scope["headers"]), self.settings.is_encrypted
        try:
            admitted, cookies = await self._admitted(scope, head)
        except ServiceError as error:
            await _refuse(error, scope, head, with_security(send, is_encrypted=is_encrypted))
            return
        body = Body(receive)
        admitted["state"]["allow_large_body"] = body.allow_large
        await self.app(
            admitted, body, with_security(send, is_encrypted=is_encrypted, cookies=cookies)
        )

    async def _admitted(self, scope: Scope, head: Head) -> tuple[Scope, list[str]]:
        """The request with what is known of it, and cookies to set."""
        peer = peer_of(scope, head, self.settings)
        require_host(self.hosts, peer.host)
        _require_one_length(head)
        _require_no_secret(scope)
        shown = self._shown(head)
        require_origin(
            self.hosts,
            scope["method"],
            head.one("origin"),
            head.one("sec-fetch-site"),
            by_token=shown.by == "token",
        )
        principal = await self._principal(shown, peer)
        if not is_public(scope["path"]):
            require(principal, Role.READER)
        token, cookies = self._form_token(shown, head)
        state = {
            **scope.get("state", {}),
            "principal": principal,
            "still_allowed": lambda: self.identities.look_up(shown) is not None,
            "address": peer.address,
            "form_token": token,
        }
        port = (scope.get("client") or ("", 0))[1]
        client = (peer.address, port)
        return {**scope, "state": state, "client": client, "scheme": peer.scheme}, cookies

    def _cookie(self, head: Head, name: str) -> str | None:
        whole = "; ".join(head.all("cookie"))
        return sessions.cookie_value(whole, name, is_encrypted=self.settings.is_encrypted)

    def _shown(self, head: Head) -> Shown:
        """A token, else a session's cookie, else nothing."""
        if given := head.all("authorization"):
            scheme, _, value = given[0].partition(" ")
            if len(given) > 1 or scheme.lower() != "bearer":
                raise NotSignedInError("wanted one `Authorization: Bearer TOKEN`")
            return Shown("token", value.strip())
        session = self._cookie(head, sessions.NAME)
        return Shown("session", session) if session else Shown("nothing")

    async def _principal(self, shown: Shown, peer: Peer) -> Principal | None:
        """Who it is; counts the request against who is known, or else against the address."""
        now = self.clock()
        principal = self._remembered(shown, peer)
        self.limits.requests.take(_counted(principal, peer), now)
        if principal is None and shown.by != "nothing":
            principal = await to_thread.run_sync(self.identities.look_up, shown)
        if principal is None and shown.by == "token":
            raise failed(self.limits, peer.address, now)
        if principal is None and self._may_be_local(peer):
            principal = await to_thread.run_sync(self.identities.look_up, Shown("nothing"))
        return principal

    def _remembered(self, shown: Shown, peer: Peer) -> Principal | None:
        """Nobody is local on the strength of what somebody else was."""
        if shown.by == "nothing" and not self._may_be_local(peer):
            return None
        return self.identities.remembered(shown)

    def _may_be_local(self, peer: Peer) -> bool:
        """Whether the request comes from this machine, and from none through it."""
        return self.settings.is_loopback and peer.is_direct

    def _form_token(self, shown: Shown, head: Head) -> tuple[str | None, list[str]]:
        """Of the browser, by its session's or its own cookie, and the latter where it has none.

        What is no browser gets one that nobody can send back.
        """
        if shown.by == "token":
            return None, []
        known = shown.value or self._cookie(head, BROWSER_COOKIE)
        value = known or sessions.new_value()
        cookies = []
        if not known and _is_browser(head):
            is_encrypted = self.settings.is_encrypted
            cookies.append(
                sessions.set_cookie(BROWSER_COOKIE, value, BROWSER_S, is_encrypted=is_encrypted)
            )
        return form_token(self.secret, value), cookies


def is_public(path: str) -> bool:
    """Whether anybody may see it: what a browser needs to sign in, and that the service is up."""
    return path in PUBLIC or path.startswith(PUBLIC_FOLDER)


def _counted(principal: Principal | None, peer: Peer) -> str:
    return network_of(peer.address) if principal is None else f"token {principal.token_id}"


def _require_one_length(head: Head) -> None:
    """A proxy that goes by the other one would see another request begin within this one's body."""
    if len(head.all("content-length")) + len(head.all("transfer-encoding")) > 1:
        raise AmbiguousBodyError(
            "the request says in two ways how long it is; wanted Content-Length or "
            "Transfer-Encoding, once"
        )


def _require_no_secret(scope: Scope) -> None:
    address = scope["path"] + "?" + unquote(scope["query_string"].decode("latin-1"))
    if SHAPE.search(address):
        raise SecretInAddressError(
            "a token stands in the address, which logs and histories keep: revoke it, and send "
            "its successor as `Authorization: Bearer …`"
        )


def _is_browser(head: Head) -> bool:
    return any("text/html" in value for value in head.all("accept"))


async def _refuse(error: ServiceError, scope: Scope, head: Head, send: Send) -> None:
    """As a problem's details; a browser that wants a page is led to where it signs in."""
    fields, body = dict(error.headers), json.dumps(problem(error)).encode()
    status = error.status
    if status == 401 and scope["method"] in ("GET", "HEAD") and _is_browser(head):
        query = scope["query_string"].decode("latin-1")
        here = scope["path"] + (f"?{query}" if query else "")
        status, body, fields = (
            303,
            b"",
            {"location": f"/login?next={quote(here, safe='/', errors='replace')}"},
        )
    else:
        fields["content-type"] = PROBLEM_TYPE
    fields["content-length"] = str(len(body))
    encoded = [(name.lower().encode(), value.encode("latin-1")) for name, value in fields.items()]
    await send({"type": "http.response.start", "status": status, "headers": encoded})
    await send({"type": "http.response.body", "body": body})
