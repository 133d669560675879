"""Sessions of browsers: begun with a token, ended by time, by hand or with that token.

The cookie's value is 256 random bits, kept as their SHA-256. Under TLS its name begins with
`__Host-`, by which browsers take it from this very host alone, and only encrypted.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass

from sqlalchemy import Connection, delete, insert, select

from buffet.service.access.roles import Principal
from buffet.service.access.tokens import Token, digest, same, token_of
from buffet.service.database.tables import SESSIONS, TOKENS

N_BYTES = 32
LIFETIME_S = 12 * 3600.0
NAME = "buffet_session"


@dataclass(frozen=True)
class NewSession:
    """One just begun."""

    value: str  # of the cookie
    expires_at: float
    principal: Principal


def new_value() -> str:
    """256 random bits for a cookie."""
    return secrets.token_urlsafe(N_BYTES)


def begin(connection: Connection, token: Token, now: float) -> NewSession:
    """A session that ends with its token at the latest; sessions that ended are forgotten."""
    connection.execute(delete(SESSIONS).where(SESSIONS.c.expires_at <= now))
    value = new_value()
    expires_at = min(now + LIFETIME_S, token.expires_at)
    number = connection.execute(
        insert(SESSIONS)
        .values(sha256=digest(value), token_id=token.id, created_at=now, expires_at=expires_at)
        .returning(SESSIONS.c.id)
    ).scalar_one()
    return NewSession(value, expires_at, Principal(token.name, token.role, token.id, number))


def find(connection: Connection, value: str, now: float) -> tuple[Token, int] | None:
    """The living token behind a cookie's value, and the session's number, or None."""
    known = digest(value)
    row = connection.execute(
        select(
            TOKENS,
            SESSIONS.c.id.label("session_id"),
            SESSIONS.c.sha256.label("session_sha256"),
            SESSIONS.c.expires_at.label("session_expires_at"),
        )
        .join(SESSIONS, SESSIONS.c.token_id == TOKENS.c.id)
        .where(SESSIONS.c.sha256 == known)
    ).one_or_none()
    if row is None or not same(row.session_sha256, known) or row.session_expires_at <= now:
        return None
    token = token_of(row)
    return (token, row.session_id) if token.lives(now) else None


def end(connection: Connection, session_id: int) -> None:
    """Forget it."""
    connection.execute(delete(SESSIONS).where(SESSIONS.c.id == session_id))


def cookie_name(name: str, *, is_encrypted: bool) -> str:
    """A cookie's name as browsers know it."""
    return f"__Host-{name}" if is_encrypted else name


def set_cookie(name: str, value: str, lifetime_s: float, *, is_encrypted: bool) -> str:
    """A `Set-Cookie` header; a lifetime of zero takes the cookie back."""
    words = (
        f"{cookie_name(name, is_encrypted=is_encrypted)}={value}",
        f"Max-Age={max(0, int(lifetime_s))}",
        "Path=/",
        "HttpOnly",
        "SameSite=Strict",
        *(("Secure",) if is_encrypted else ()),
    )
    return "; ".join(words)


def cookie_value(header: str, name: str, *, is_encrypted: bool) -> str | None:
    """A cookie's value in a `Cookie` header, whatever others of the same host look like."""
    wanted = cookie_name(name, is_encrypted=is_encrypted)
    for pair in header.split(";"):
        own, _, value = pair.strip().partition("=")
        if own == wanted:
            return value or None
    return None
