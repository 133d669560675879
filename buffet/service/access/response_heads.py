"""What every answer's head says to browsers."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

Message = MutableMapping[str, Any]
Send = Callable[[Message], Awaitable[None]]

# Where an answer has none of its own: a report, for one, brings its styles along.
DEFAULTS = {
    "content-security-policy": "; ".join(
        (
            "default-src 'none'",
            "script-src 'self'",
            "style-src 'self'",
            "img-src 'self' data:",
            "connect-src 'self'",
            "form-action 'self'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
        )
    ),
    "cache-control": "no-store",  # names and results stay in no cache unless an answer says so
}
ALWAYS = {
    "x-content-type-options": "nosniff",
    # With no-referrer browsers send `Origin: null` with forms, and every change would be refused.
    "referrer-policy": "same-origin",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
YEAR_S = 365 * 86400
ENCRYPTED = {"strict-transport-security": f"max-age={YEAR_S}"}


def with_security(send: Send, *, is_encrypted: bool, cookies: Iterable[str] = ()) -> Send:
    """Answers as they are, with these fields in their heads."""
    always = {**ALWAYS, **(ENCRYPTED if is_encrypted else {})}
    set_cookies = [(b"set-cookie", cookie.encode("latin-1")) for cookie in cookies]

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = [(name.lower(), value) for name, value in message.get("headers", ())]
            named = {name.decode("latin-1") for name, _ in own}
            own = [field for field in own if field[0].decode("latin-1") not in always]
            more = {name: value for name, value in DEFAULTS.items() if name not in named} | always
            message["headers"] = [*own, *_encoded(more), *set_cookies]
        await send(message)

    return sent


def _encoded(fields: dict[str, str]) -> list[tuple[bytes, bytes]]:
    return [(name.encode("latin-1"), value.encode("latin-1")) for name, value in fields.items()]
