"""How a request comes by the service, and who it is from.

All of it is async: what is not takes a turn of a thread each, five a request.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, TypeVar, cast

from anyio import to_thread
from fastapi import Depends, Request

from buffet.service.access.guard import Guard
from buffet.service.access.roles import Principal, Role, require
from buffet.service.state import Service

T = TypeVar("T")


async def service_of(request: Request) -> Service:
    """The service that a request came to."""
    return cast("Service", request.app.state.service)


async def guard_of(request: Request) -> Guard:
    """The door that a request came through."""
    return cast("Guard", request.app.state.guard)


async def principal_of(request: Request) -> Principal:
    """Who asks, as the guard found out."""
    return cast("Principal", request.state.principal)


async def address_of(request: Request) -> str:
    """Where a request came from, for the audit log."""
    return request.client.host if request.client else ""


async def inspecting(service: Service, change: Callable[..., T], *arguments: Any) -> T:
    """What a change gives that inspects files, on one of the threads that are kept for these."""
    return await to_thread.run_sync(change, service, *arguments, limiter=service.inspecting)


def allowed(role: Role) -> Any:
    """A dependency that gives whoever has at least this role, and refuses others."""

    async def check(principal: Annotated[Principal, Depends(principal_of)]) -> Principal:
        require(principal, role)
        return principal

    return Depends(check)


GuardHere = Annotated[Guard, Depends(guard_of)]
ServiceHere = Annotated[Service, Depends(service_of)]
Address = Annotated[str, Depends(address_of)]
Reader = Annotated[Principal, allowed(Role.READER)]
Engineer = Annotated[Principal, allowed(Role.ENGINEER)]
Owner = Annotated[Principal, allowed(Role.OWNER)]
