"""Static files, the API's page, and errors for people."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from buffet.service.api.dependencies import Reader
from buffet.service.api.description import described
from buffet.service.errors import NotFoundError
from buffet.service.pages.assets import asset
from buffet.service.pages.docs import docs_page
from buffet.service.web import shown

ROUTER = APIRouter(include_in_schema=False, default_response_class=Response)
FOR_GOOD = "public, max-age=31536000, immutable"


@ROUTER.get("/static/{name:path}")
def static(name: str, request: Request) -> Response:
    """A file of the pages, from a list: the name becomes no path."""
    found = asset(name)
    if found is None:
        raise NotFoundError(f"there is no static file {name[:100]!r}")
    is_named = request.url.query == found.digest
    headers = {"Cache-Control": FOR_GOOD if is_named else "no-cache"}
    return Response(found.content, media_type=found.media_type, headers=headers)


@ROUTER.get("/docs")
def docs(request: Request, principal: Reader) -> Response:
    """The API for people who write scripts."""
    return shown.page(docs_page(shown.frame_of(request, principal), described(request.app)))
