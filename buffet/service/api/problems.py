"""Every error as a problem document of RFC 9457, with words that a user can act on."""

from __future__ import annotations

import errno
import logging
import sqlite3
from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.exc import OperationalError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from buffet.errors import BuffetError
from buffet.service.errors import PROBLEM_TYPE, problem_document
from buffet.service.pages.jobs import problem_page
from buffet.service.web.shown import frame_of, page
from ingest import IngestError

DISK_FULL = "53100"  # of PostgreSQL
KINDS = {
    401: "not-signed-in",
    404: "not-found",
    405: "method-not-allowed",
    408: "too-slow",
    413: "too-large",
}
LOG = logging.getLogger("buffet.service")


class Fault(BaseModel):
    """One thing that is wrong with what was sent."""

    file: str = Field(default="", description="of a campaign; empty where none is meant")
    key: str = Field(description="where it stands, e.g. channel[2].gain")
    problem: str = Field(description="what was given and what is wanted")


class Problem(BaseModel):
    """A problem document (RFC 9457)."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "type": "about:blank",
                    "title": "Not Found",
                    "status": 404,
                    "detail": "campaign 3 is not here; it is in the bin",
                    "kind": "not-found",
                }
            ]
        }
    )
    type: str = Field(description="about:blank: title and status are HTTP's own")
    title: str
    status: int
    detail: str = Field(description="what, where, what was wanted, what to do")
    kind: str = Field(description="a word for scripts, which never changes")
    faults: list[Fault] | None = None


RESPONSES: dict[int | str, dict[str, Any]] = {
    "default": {
        "description": "A problem document",
        "content": {PROBLEM_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }
}


def answer(
    request: Request,
    status: int,
    kind: str,
    detail: str,
    headers: Mapping[str, str] | None = None,
    /,
    **more: Any,
) -> Response:
    """A problem document, or a page of it for people."""
    document = problem_document(status, kind, detail, **more)
    if _is_for_people(request):
        frame = frame_of(request, getattr(request.state, "principal", None))
        response: Response = page(problem_page(frame, document), status)
    else:
        response = JSONResponse(document, status, media_type=PROBLEM_TYPE)
    response.headers.update(headers or {})
    return response


def _is_for_people(request: Request) -> bool:
    """Scripts ask below /api, and elsewhere say what they take."""
    is_page = not request.url.path.startswith("/api/")
    return is_page and "text/html" in request.headers.get("accept", "")


def install(app: FastAPI) -> None:
    """Have the application answer all errors so."""
    app.add_exception_handler(BuffetError, _known)
    app.add_exception_handler(IngestError, _known)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(ClientDisconnect, _gone)
    app.add_exception_handler(OSError, _disk)
    app.add_exception_handler(OperationalError, _disk)
    app.add_exception_handler(Exception, _unknown)


async def _known(request: Request, error: Exception) -> Response:
    status = int(getattr(error, "status", 422))
    kind = str(getattr(error, "kind", "unprocessable"))
    more = {}
    if faults := getattr(error, "faults", None):
        more["faults"] = [
            {"file": fault.file, "key": fault.key, "problem": fault.problem} for fault in faults
        ]
    more |= getattr(error, "more", {})
    if status >= 500:
        LOG.error("%s %s: %s", request.method, request.url.path, error)
    return answer(request, status, kind, str(error), getattr(error, "headers", None), **more)


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    faults = [
        {"file": "", "key": ".".join(map(str, one["loc"][1:])), "problem": _plain(one)}
        for one in error.errors()
    ]
    told = "; ".join(": ".join(filter(None, (one["key"], one["problem"]))) for one in faults[:5])
    return answer(request, 422, "invalid", told or "the request cannot be read", faults=faults)


def _plain(error: Mapping[str, Any]) -> str:
    """In our words where the library's speak of its own workings."""
    if error["type"] == "union_tag_invalid":
        known = error["ctx"]
        return f"kind is {known['tag']!r}; wanted one of {known['expected_tags']}"
    return str(error["msg"]).removeprefix("Value error, ")


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    kind = KINDS.get(error.status_code, "bad-request")
    detail = f"{request.method} {request.url.path}: {error.detail}"
    return answer(request, error.status_code, kind, detail, error.headers)


async def _gone(request: Request, error: Exception) -> Response:
    """Nobody reads the answer: an upload that was broken off is no failure of the program."""
    return answer(request, 400, "incomplete", "the connection broke before the body had come")


async def _disk(request: Request, error: Exception) -> Response:
    """A full disk, whoever met it: a file, or the database."""
    if not _is_full(error):
        return await _unknown(request, error)
    LOG.error("%s %s: %s", request.method, request.url.path, error)
    told = "the server's disk is full: make room there, or ask its owner to, and send it again"
    return answer(request, 507, "no-space", told)


def _is_full(error: Exception) -> bool:
    cause = error.orig if isinstance(error, OperationalError) else error
    if isinstance(cause, OSError):
        return cause.errno in (errno.ENOSPC, errno.EDQUOT)
    code = getattr(cause, "sqlite_errorcode", None)
    return code == sqlite3.SQLITE_FULL or getattr(cause, "sqlstate", None) == DISK_FULL


async def _unknown(request: Request, error: Exception) -> Response:
    LOG.error("%s %s", request.method, request.url.path, exc_info=error)
    return answer(request, 500, "failed", "the program failed; its log says where")
