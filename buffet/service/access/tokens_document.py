"""Tokens as JSON; never the tokens themselves."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from buffet.service.access.tokens import Token

VERSION = 1


def tokens_document(tokens: Sequence[Token], now: float) -> dict[str, Any]:
    """All of them, each with its state at a time."""
    return {
        "format": "buffet/tokens",
        "version": VERSION,
        "tokens": [token_entry(token, now) for token in tokens],
    }


def token_entry(token: Token, now: float) -> dict[str, Any]:
    """One of them."""
    return {
        "id": token.id,
        "name": token.name,
        "role": token.role.word,
        "state": token.state(now),
        "created_at": utc(token.created_at),
        "expires_at": utc(token.expires_at),
        "revoked_at": utc(token.revoked_at),
        "used_at": utc(token.used_at),
    }


def utc(at: float | None) -> str | None:
    """Seconds since 1970 as ISO 8601, to a second."""
    if at is None:
        return None
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
