"""The application: routes, errors, guard, and the service's life."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version

from fastapi import FastAPI

from buffet.service.access.guard import Guard
from buffet.service.api import (
    administration,
    bin,
    campaigns,
    jobs,
    operations,
    problems,
    results,
    runs,
    sheets,
)
from buffet.service.request_log import App, logged, noting
from buffet.service.state import Service
from buffet.service.watch.thread import Watch
from buffet.service.web.routers import ROUTERS as PAGES

ROUTERS = (
    campaigns.ROUTER,
    runs.ROUTER,
    jobs.ROUTER,
    results.ROUTER,
    sheets.ROUTER,
    bin.ROUTER,
    administration.ROUTER,
    operations.ROUTER,
)
DESCRIPTION = """A team's campaigns of force and pressure recordings: which add-on buffets, from
what road speed on, and what the fix costs.

Send a token as `Authorization: Bearer …`; on the machine itself none is needed until the first is
made. Quantities are text with a unit, such as `130 km/h`. Errors are problem documents (RFC 9457).
Results are computed by analyses: start one, follow its events, then get the result, which stays
until the campaign changes. A rating is decision support from a scaled test: the documents hold its
cautions.
"""


def create_app(service: Service) -> FastAPI:
    """The application of an opened folder; it works from its server's start to its end."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        service.start(asyncio.get_running_loop())
        watch = None if service.settings.watch is None else Watch(service, service.settings.watch)
        if watch is not None:
            watch.start()
        try:
            yield
        finally:
            if watch is not None:
                await asyncio.to_thread(watch.stop)
            await asyncio.to_thread(service.stop)

    app = FastAPI(
        title="buffet",
        version=version("buffeting"),
        description=DESCRIPTION,
        lifespan=lifespan,
        docs_url=None,  # they load scripts from elsewhere; /docs is a page of our own
        redoc_url=None,
        openapi_url=None,
        responses=problems.RESPONSES,
    )
    app.state.service = service
    problems.install(app)
    for router in (*ROUTERS, *PAGES):
        app.include_router(router)
    return app


def guard_of(service: Service) -> Guard:
    """The application behind its door."""
    app = create_app(service)
    guard = Guard(noting(app), service.settings, service.engine, service.secret)
    app.state.guard = guard
    return guard


def guarded(service: Service) -> App:
    """All that a server runs: the log of requests, the door and the application."""
    return logged(guard_of(service), service.metrics)
