"""Tokens as a table for a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from buffet.service.access.tokens import Token
from buffet.service.access.tokens_document import utc
from buffet.terminal import table

HEADER = ("name", "role", "state", "made", "until", "used")
LONGEST_NAME = 24


def tokens_text(tokens: Sequence[Token], now: float) -> str:
    """A row each, the newest first."""
    if not tokens:
        return "no token was made yet: on this machine whoever connects is the owner"
    return table(HEADER, [_row(token, now) for token in tokens])


def _row(token: Token, now: float) -> tuple[str, ...]:
    name = token.name if len(token.name) <= LONGEST_NAME else token.name[: LONGEST_NAME - 1] + "…"
    ended = token.expires_at if token.revoked_at is None else token.revoked_at
    days = (_day(token.created_at), _day(ended), _day(token.used_at))
    return (name, token.role.word, token.state(now), *days)


def _day(at: float | None) -> str:
    return (utc(at) or "never")[:10]
