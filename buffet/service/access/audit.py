"""The audit log: who changed what, written in the same transaction as the change."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, insert, select

from buffet.service.access.roles import Principal
from buffet.service.access.tokens import without_tokens
from buffet.service.database.tables import AUDIT

MOST = 500  # entries at once


@dataclass(frozen=True)
class Entry:
    """One line of it."""

    id: int
    at: float
    actor: str
    role: str
    address: str
    action: str
    object: str
    details: dict[str, Any]


def record(
    connection: Connection,
    principal: Principal,
    address: str,
    action: str,
    object: str,
    details: Mapping[str, Any],
    now: float | None = None,
) -> None:
    """Add an entry; whatever text holds a token is told without it.

    `details` holds what JSON can: texts, finite numbers, lists and tables of these.
    """
    values = {
        "actor": principal.name,
        "address": address,
        "action": action,
        "object": object,
    }
    short = {name: _clipped(name, without_tokens(text)) for name, text in values.items()}
    told = _without_tokens(dict(details))
    at = time.time() if now is None else now
    connection.execute(insert(AUDIT).values(at=at, role=principal.role.word, details=told, **short))


def entries(
    connection: Connection, before_id: int | None = None, limit: int = 100
) -> tuple[Entry, ...]:
    """The newest first, from before an entry on."""
    wanted = select(AUDIT).order_by(AUDIT.c.id.desc()).limit(min(limit, MOST))
    if before_id is not None:
        wanted = wanted.where(AUDIT.c.id < before_id)
    return tuple(Entry(*row) for row in connection.execute(wanted))


def _clipped(column: str, text: str) -> str:
    """As long as the column takes; PostgreSQL refuses more."""
    longest = AUDIT.c[column].type.length  # type: ignore[attr-defined]
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _without_tokens(value: Any) -> Any:
    if isinstance(value, str):
        return without_tokens(value)
    if isinstance(value, Mapping):
        return {without_tokens(str(key)): _without_tokens(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_without_tokens(one) for one in value]
    return value
