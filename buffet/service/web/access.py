"""Signing in and out; tokens and the audit log."""

from __future__ import annotations

import json
import time
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from buffet.service.access import audit, sessions, signing_in, tokens
from buffet.service.access.giving import give, take_back
from buffet.service.access.roles import Principal, Role
from buffet.service.api.dependencies import Address, GuardHere, Owner, Reader, ServiceHere
from buffet.service.api.paging import LARGEST_ID, Before
from buffet.service.database.engine import reading
from buffet.service.errors import ServiceError
from buffet.service.intake.errors import BadFormError
from buffet.service.pages.access import Access, AuditEntry, TokenEntry, access_page, login_page
from buffet.service.state import Service
from buffet.service.web import shown
from buffet.service.web.forms import fields_of

ROUTER = APIRouter(include_in_schema=False, default_response_class=Response)


@ROUTER.get("/login")
def form(request: Request, next: Annotated[str, Query(max_length=2000)] = "/") -> Response:
    """A field for the token."""
    frame = shown.frame_of(request, request.state.principal)
    return shown.page(login_page(frame, signing_in.page_after(next)))


@ROUTER.post("/login")
async def sign_in(
    request: Request, service: ServiceHere, guard: GuardHere, address: Address
) -> Response:
    """Begin a session, and go where the browser was going."""
    fields = await fields_of(request)
    after = signing_in.page_after(fields.get("next"))
    try:
        session = await run_in_threadpool(
            signing_in.sign_in,
            service.engine,
            guard.limits,
            fields.get("token", ""),
            address,
            time.time(),
        )
    except ServiceError as error:
        frame = shown.frame_of(request, None)
        return shown.page(login_page(frame, after, str(error)), error.status)
    response = shown.seen(after)
    response.headers["Set-Cookie"] = sessions.set_cookie(
        sessions.NAME,
        session.value,
        session.expires_at - time.time(),
        is_encrypted=service.settings.is_encrypted,
    )
    return response


@ROUTER.post("/logout")
async def sign_out(
    request: Request,
    service: ServiceHere,
    guard: GuardHere,
    principal: Reader,
    address: Address,
) -> Response:
    """End the session."""
    await fields_of(request)
    await run_in_threadpool(
        signing_in.sign_out, service.engine, guard.identities, principal, address, time.time()
    )
    response = shown.seen("/login")
    response.headers["Set-Cookie"] = sessions.set_cookie(
        sessions.NAME, "", 0, is_encrypted=service.settings.is_encrypted
    )
    return response


@ROUTER.get("/access")
def access(
    request: Request, service: ServiceHere, principal: Owner, before: Before = None
) -> Response:
    """Tokens and the audit log."""
    return _page(request, service, principal, before)


def _page(
    request: Request,
    service: Service,
    principal: Principal,
    before: int | None = None,
    new_token: str | None = None,
    problem: str = "",
) -> Response:
    with reading(service.engine) as connection:
        listed = tokens.listed(connection)
        log = audit.entries(connection, before, shown.LONGEST_LIST)
    more = None
    if len(log) == shown.LONGEST_LIST:
        more = f"/access?{urlencode({'before': log[-1].id})}"
    data = Access(
        tuple(
            TokenEntry(
                one.id,
                one.name,
                one.role.word,
                one.created_at,
                one.expires_at,
                one.revoked_at,
                one.used_at,
            )
            for one in listed
        ),
        tuple(
            AuditEntry(
                one.at,
                one.actor,
                one.role,
                one.address,
                one.action,
                one.object,
                _told(one.details),
            )
            for one in log
        ),
        shown.pager(before or 0, log, more),
        time.time(),
        new_token,
        problem,
    )
    return shown.page(access_page(shown.frame_of(request, principal), data))


def _told(details: dict[str, object]) -> str:
    return ", ".join(
        f"{key} {value if isinstance(value, str) else json.dumps(value)}"
        for key, value in details.items()
    )


@ROUTER.post("/access/tokens")
async def make(
    request: Request, service: ServiceHere, guard: GuardHere, principal: Owner, address: Address
) -> Response:
    """Make a token and show it this once."""
    fields = await fields_of(request)
    try:
        role = Role.of(fields.get("role", ""))
        days = int(fields.get("days", "90"))
    except (KeyError, ValueError):
        raise BadFormError("the form names no role, or no number of days") from None

    def made() -> Response:
        try:
            secret, _ = give(
                service.engine,
                guard.identities,
                principal,
                address,
                fields.get("name", ""),
                role,
                days,
            )
        except ServiceError as error:
            response = _page(request, service, principal, problem=str(error))
            response.status_code = error.status
            return response
        return _page(request, service, principal, new_token=secret)

    return await run_in_threadpool(made)


@ROUTER.post("/access/tokens/{token_id}/revoke")
async def revoke(
    token_id: Annotated[int, Path(ge=1, le=LARGEST_ID)],
    request: Request,
    service: ServiceHere,
    guard: GuardHere,
    principal: Owner,
    address: Address,
) -> Response:
    """End a token."""
    await fields_of(request)

    await run_in_threadpool(
        take_back, service.engine, guard.identities, principal, address, token_id
    )
    return shown.seen("/access?done=revoked")
