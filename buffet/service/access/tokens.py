"""Tokens: who somebody is, shown once when made, kept as their SHA-256.

A token holds 256 random bits, so that no slow hash is needed: it cannot be guessed from its hash,
and finding its row by the hash tells nothing by the time it takes. Times are seconds since 1970.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, Row, insert, select, update
from sqlalchemy.exc import IntegrityError

from buffet.service.access.errors import TokenError
from buffet.service.access.roles import Role
from buffet.service.database.tables import TOKENS
from buffet.service.errors import ConflictError, NotFoundError

State = Literal["living", "expired", "revoked"]

PREFIX = "bft_"  # told apart from other secrets by scanners and by `audit`
N_BYTES = 32
DAY_S = 86400.0
LIFETIME_S = 90 * DAY_S
LONGEST_S = 366 * DAY_S
LONGEST_NAME = 100
# Its use is noted no oftener: a request must not cost a write.
NOTED_EVERY_S = 60.0
SHAPE = re.compile(rf"{PREFIX}[\w-]{{43}}", re.ASCII)


@dataclass(frozen=True)
class Token:
    """What is known of one; not the token itself."""

    id: int
    name: str
    role: Role
    created_at: float
    expires_at: float
    revoked_at: float | None
    used_at: float | None

    def lives(self, now: float) -> bool:
        """Whether it opens anything."""
        return self.revoked_at is None and now < self.expires_at

    def state(self, now: float) -> State:
        """In one word."""
        if self.revoked_at is not None and self.revoked_at < self.expires_at:
            return "revoked"
        return "living" if self.lives(now) else "expired"

    def is_to_be_noted(self, now: float) -> bool:
        """Whether its last noted use is long ago."""
        return self.used_at is None or now - self.used_at >= NOTED_EVERY_S


# Names of who acts without a token: this machine's user, the watched folder, the command line.
BUILT_IN = frozenset({"local", "watch", "command line"})


def digest(secret: str) -> str:
    """SHA-256 as hexadecimal digits."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def same(left: str, right: str) -> bool:
    """Whether two digests agree, in a time that does not depend on where they differ."""
    return hmac.compare_digest(left.encode(), right.encode())


def make(
    connection: Connection, name: str, role: Role, now: float, lifetime_s: float = LIFETIME_S
) -> tuple[str, Token]:
    """A new token: the secret, which nobody can show again, and what is kept of it.

    Raises
    ------
    TokenError
        The name cannot be one, or it would live too long.
    ConflictError
        A living token has that name.
    """
    name = _checked(name)
    if not 0 < lifetime_s <= LONGEST_S:
        raise TokenError(
            f"got a lifetime of {lifetime_s / DAY_S:.6g} days; wanted more than 0 and at most "
            f"{LONGEST_S / DAY_S:.0f}"
        )
    _free_name(connection, name, now)
    secret = PREFIX + secrets.token_urlsafe(N_BYTES)
    values = {
        "name": name,
        "role": role.word,
        "sha256": digest(secret),
        "created_at": now,
        "expires_at": now + lifetime_s,
    }
    try:
        with connection.begin_nested():
            row = connection.execute(insert(TOKENS).values(values).returning(TOKENS)).one()
    except IntegrityError as error:
        raise ConflictError(
            f"a token named {name!r} lives: revoke it first, or choose another name"
        ) from error
    return secret, token_of(row)


def _checked(name: str) -> str:
    """A name that can stand in a line of text."""
    name = name.strip()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise TokenError(
            f"got the name {name[:LONGEST_NAME]!r}; wanted 1 to {LONGEST_NAME} characters that "
            "can be printed"
        )
    if name.casefold() in BUILT_IN:
        raise TokenError(f"{name!r} is what the audit log calls the service itself; choose another")
    if SHAPE.search(name):
        raise TokenError("the name holds a token; choose one that may be read by everybody")
    return name


def _free_name(connection: Connection, name: str, now: float) -> None:
    """An expired token no longer holds its name."""
    ended = (TOKENS.c.name == name) & TOKENS.c.revoked_at.is_(None) & (TOKENS.c.expires_at <= now)
    connection.execute(update(TOKENS).where(ended).values(revoked_at=TOKENS.c.expires_at))


def listed(connection: Connection) -> tuple[Token, ...]:
    """All that were ever made, the newest first."""
    rows = connection.execute(select(TOKENS).order_by(TOKENS.c.id.desc()))
    return tuple(token_of(row) for row in rows)


def revoke(connection: Connection, token_id: int, now: float) -> Token:
    """End a token and the sessions that rest on it; those that ended already stay as they are.

    Raises
    ------
    NotFoundError
        There is none of that number.
    """
    own = TOKENS.c.id == token_id
    connection.execute(
        update(TOKENS).where(own, TOKENS.c.revoked_at.is_(None)).values(revoked_at=now)
    )
    row = connection.execute(select(TOKENS).where(own)).one_or_none()
    if row is None:
        raise NotFoundError(f"there is no token {token_id}")
    return token_of(row)


def named(connection: Connection, name: str, now: float) -> Token:
    """The living token of a name.

    Raises
    ------
    NotFoundError
        None lives; the error names those that do.
    """
    living = [token for token in listed(connection) if token.lives(now)]
    for token in living:
        if token.name == name:
            return token
    names = ", ".join(repr(token.name) for token in living) or "none"
    raise NotFoundError(f"no token named {name!r} lives; living: {names}")


def authenticate(connection: Connection, secret: str, now: float) -> Token | None:
    """The living token that a secret is, or None."""
    if not SHAPE.fullmatch(secret):
        return None
    known = digest(secret)
    row = connection.execute(select(TOKENS).where(TOKENS.c.sha256 == known)).one_or_none()
    if row is None or not same(row.sha256, known):
        return None
    token = token_of(row)
    return token if token.lives(now) else None


def note_use(connection: Connection, token_id: int, now: float) -> None:
    """Write down that it was used."""
    connection.execute(update(TOKENS).where(TOKENS.c.id == token_id).values(used_at=now))


def were_made(connection: Connection) -> bool:
    """Whether any token ever was; from then on nobody is let in without.

    Those that ended count: a service must not fall open because its last token expired.
    """
    return connection.execute(select(TOKENS.c.id).limit(1)).first() is not None


def has_owner(connection: Connection, now: float) -> bool:
    """Whether an owner's token lives."""
    return any(one.lives(now) and one.role is Role.OWNER for one in listed(connection))


def token_of(row: Row[Any]) -> Token:
    """What a row with the columns of `TOKENS` says."""
    return Token(
        row.id,
        row.name,
        Role.of(row.role),
        row.created_at,
        row.expires_at,
        row.revoked_at,
        row.used_at,
    )


def without_tokens(text: str) -> str:
    """A text in which no token can be read."""
    return SHAPE.sub(f"{PREFIX}…", text)
