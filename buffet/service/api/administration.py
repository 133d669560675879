"""Tokens and the audit log, for owners."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, ConfigDict, Field

from buffet.service.access import audit, tokens
from buffet.service.access.giving import give, take_back
from buffet.service.access.roles import Role
from buffet.service.api.dependencies import Address, GuardHere, Owner, ServiceHere
from buffet.service.api.documents import Page, moment
from buffet.service.api.paging import LARGEST_ID, Before, Limit, next_address
from buffet.service.database.engine import reading

ROUTER = APIRouter(prefix="/api", tags=["administration"])


class TokenWish(BaseModel):
    """A token that is wanted."""

    model_config = ConfigDict(extra="forbid")
    name: str = Field(min_length=1, max_length=tokens.LONGEST_NAME, examples=["logger in the hall"])
    role: Literal["reader", "engineer", "owner"]
    days: int = Field(default=90, ge=1, le=365, description="until it expires")


class TokenEntry(BaseModel):
    """A token, without what opens the door."""

    id: int
    name: str
    role: str
    created_at: str
    expires_at: str
    revoked_at: str | None
    used_at: str | None

    @classmethod
    def of(cls, token: tokens.Token) -> TokenEntry:
        """As the database has it."""
        return cls(
            id=token.id,
            name=token.name,
            role=token.role.word,
            created_at=moment(token.created_at) or "",
            expires_at=moment(token.expires_at) or "",
            revoked_at=moment(token.revoked_at),
            used_at=moment(token.used_at),
        )


class NewToken(BaseModel):
    """A token that was made: shown this once."""

    token: str
    entry: TokenEntry


class AuditEntry(BaseModel):
    """Who changed what."""

    id: int
    at: str
    actor: str
    role: str
    address: str
    action: str
    object: str
    details: dict[str, Any]


@ROUTER.get("/tokens")
def every(service: ServiceHere, principal: Owner) -> list[TokenEntry]:
    """All tokens that were made, newest first."""
    with reading(service.engine) as connection:
        return [TokenEntry.of(token) for token in tokens.listed(connection)]


@ROUTER.post("/tokens", status_code=201)
def make(
    wish: TokenWish,
    service: ServiceHere,
    guard: GuardHere,
    principal: Owner,
    address: Address,
) -> NewToken:
    """Make a token; it is shown this once."""
    secret, token = give(
        service.engine,
        guard.identities,
        principal,
        address,
        wish.name,
        Role.of(wish.role),
        wish.days,
    )
    return NewToken(token=secret, entry=TokenEntry.of(token))


@ROUTER.post("/tokens/{token_id}/revoke")
def revoke(
    token_id: Annotated[int, Path(ge=1, le=LARGEST_ID)],
    service: ServiceHere,
    guard: GuardHere,
    principal: Owner,
    address: Address,
) -> TokenEntry:
    """End a token, and the browser sessions that rest on it."""
    token = take_back(service.engine, guard.identities, principal, address, token_id)
    return TokenEntry.of(token)


@ROUTER.get("/audit")
def log(
    request: Request,
    service: ServiceHere,
    principal: Owner,
    before: Before = None,
    limit: Limit = 100,
) -> Page[AuditEntry]:
    """Who changed what, newest first."""
    with reading(service.engine) as connection:
        found = audit.entries(connection, before, limit)
    items = [
        AuditEntry(
            id=one.id,
            at=moment(one.at) or "",
            actor=one.actor,
            role=one.role,
            address=one.address,
            action=one.action,
            object=one.object,
            details=one.details,
        )
        for one in found
    ]
    more = next_address(request, "before", [one.id for one in found], limit)
    return Page[AuditEntry](items=items, next=more)
