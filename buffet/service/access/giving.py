"""Tokens given and taken by an owner of a running service: written, audited, and known at once."""

from __future__ import annotations

import time

from sqlalchemy import Engine

from buffet.service.access import audit, tokens
from buffet.service.access.identities import Identities
from buffet.service.access.roles import Principal, Role
from buffet.service.access.tokens import Token
from buffet.service.database.engine import writing

DAY_S = 86400.0


def give(
    engine: Engine,
    identities: Identities,
    owner: Principal,
    address: str,
    name: str,
    role: Role,
    days: int,
) -> tuple[str, Token]:
    """A new token: its secret, shown once, and what is kept of it; raises as `tokens.make`."""
    now = time.time()
    with writing(engine) as connection:
        secret, token = tokens.make(connection, name, role, now, days * DAY_S)
        what = {"name": token.name, "role": role.word, "days": days}
        audit.record(connection, owner, address, "make token", f"token {token.id}", what, now)
    identities.forget()
    return secret, token


def take_back(
    engine: Engine, identities: Identities, owner: Principal, address: str, token_id: int
) -> Token:
    """End a token and the sessions that rest on it; raises as `tokens.revoke`."""
    now = time.time()
    with writing(engine) as connection:
        token = tokens.revoke(connection, token_id, now)
        what = {"name": token.name}
        audit.record(connection, owner, address, "revoke token", f"token {token_id}", what, now)
    identities.forget()
    return token
