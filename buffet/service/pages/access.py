"""Signing in, and what the owner sees of who may do what and who did."""

from __future__ import annotations

from dataclasses import dataclass

from buffet.service.access.tokens import DAY_S, LIFETIME_S, LONGEST_NAME, LONGEST_S
from buffet.service.pages.frame import ROLES, Frame, Pager, render

USUAL_DAYS, MOST_DAYS = round(LIFETIME_S / DAY_S), round(LONGEST_S / DAY_S)


def login_page(frame: Frame, next_address: str = "/", problem: str = "") -> str:
    """A field for the token; `next_address` is where to go then, within the service."""
    return render("login", frame, {"next": next_address, "problem": problem})


@dataclass(frozen=True)
class TokenEntry:
    """A token without its secret."""

    id: int
    name: str
    role: str
    created_at: float
    expires_at: float
    revoked_at: float | None
    used_at: float | None


@dataclass(frozen=True)
class AuditEntry:
    """Who did what to what."""

    at: float
    actor: str
    role: str
    address: str
    action: str
    object: str
    details: str


@dataclass(frozen=True)
class Access:
    """Tokens and the audit log, the newest first."""

    tokens: tuple[TokenEntry, ...]
    audit: tuple[AuditEntry, ...]
    pager: Pager
    now: float
    new_token: str | None = None  # shown once, right after it was made
    problem: str = ""


def access_page(frame: Frame, data: Access) -> str:
    """For the owner alone; whoever calls it has checked that."""
    values = {
        "data": data,
        "roles": ROLES,
        "days": USUAL_DAYS,
        "most_days": MOST_DAYS,
        "longest_name": LONGEST_NAME,
    }
    return render("access", frame, values)
