"""For whoever runs the service: is it well, what does it do, what can it do."""

from __future__ import annotations

import logging
import shutil
from typing import Any

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, Field
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from buffet.service.access.errors import UnavailableError
from buffet.service.api.dependencies import Reader, ServiceHere
from buffet.service.api.description import described
from buffet.service.database.engine import reading
from buffet.service.errors import FolderError
from buffet.service.metrics import MEDIA_TYPE

LOG = logging.getLogger("buffet.service")
ROUTER = APIRouter(tags=["operations"])


class Health(BaseModel):
    """Whether the service answers, and how much room it has."""

    status: str = Field(examples=["ok"])
    workers: int = Field(description="worker processes that run")
    free_bytes: int = Field(description="on the disk of its folder")


@ROUTER.get("/healthz")
def health(service: ServiceHere) -> Health:
    """Nobody needs to be known for this; it looks at the database and the disk."""
    try:
        with reading(service.engine) as connection:
            connection.execute(text("SELECT 1"))
    except (FolderError, SQLAlchemyError) as error:
        LOG.error("not well: %s", error)
        raise UnavailableError("the service's database does not answer") from error
    free = shutil.disk_usage(service.settings.folder).free
    return Health(status="ok", workers=len(service.pool.pids), free_bytes=free)


@ROUTER.get(
    "/metrics",
    responses={200: {"content": {"text/plain": {}}, "description": "Prometheus' text format"}},
    response_class=Response,
)
def metrics(service: ServiceHere, principal: Reader) -> Response:
    """Requests, analyses, workers, streams and room, as numbers; a scraper sends a token."""
    return Response(service.metrics.text(), headers={"Content-Type": MEDIA_TYPE})


@ROUTER.get("/openapi.json", include_in_schema=False)
def description(request: Request, principal: Reader) -> dict[str, Any]:
    """The API's description."""
    return described(request.app)
