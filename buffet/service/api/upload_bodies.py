"""What a request sends, streamed to disk within limits."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath

from fastapi import Request

from buffet.service.changes import SentRun
from buffet.service.intake.body import receive
from buffet.service.intake.disk import Stored, store_text
from buffet.service.intake.errors import BadFormError, UnsupportedTypeError
from buffet.service.intake.limits import UploadLimits
from buffet.service.intake.multipart import (
    FilePart,
    Part,
    TextPart,
    discard,
    receive_form,
)
from buffet.service.intake.names import checked_name
from buffet.service.state import Service

ZIP_TYPES = ("application/zip", "application/x-zip-compressed", "application/octet-stream")
LIMITS = UploadLimits()
# Parts of a run: the API's names, and those of the page's form.
SHEET = ("sheet", "sheet_file")
RECORDING = ("recording", "recordings")


async def receive_archive(request: Request, service: Service, digest: str | None) -> Stored:
    """A zip archive, as the body itself or as part `archive` of a form."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind == "multipart/form-data":
        parts = await parts_of(request, service)
        return archive_of(parts)
    if kind not in ZIP_TYPES:
        raise UnsupportedTypeError(
            f"Content-Type is {kind[:80]!r}; wanted application/zip, or a form with part `archive`"
        )
    request.state.allow_large_body()
    return await receive(
        request.stream(),
        service.settings.places.incoming,
        LIMITS,
        declared=request.headers.get("content-length"),
        digest=digest,
    )


async def parts_of(request: Request, service: Service) -> tuple[Part, ...]:
    """All parts of a form, its files on disk."""
    request.state.allow_large_body()
    return await receive_form(
        request.stream(),
        request.headers.get("content-type"),
        service.settings.places.incoming,
        LIMITS,
        declared=request.headers.get("content-length"),
    )


def archive_of(parts: Sequence[Part]) -> Stored:
    """The one archive of a form; the form's other files are gone."""
    found = [part for part in parts if isinstance(part, FilePart) and part.field == "archive"]
    if len(found) != 1 or not found[0].stored.size:
        discard(parts)
        raise BadFormError(f"the form has {len(found)} parts `archive`; wanted one zip archive")
    discard([part for part in parts if part is not found[0]])
    return found[0].stored


async def receive_run(request: Request, service: Service) -> SentRun:
    """A run: part `sheet`, as a file or as text, and one or more parts `recording`."""
    return run_of(await parts_of(request, service), service)


def run_of(parts: Sequence[Part], service: Service) -> SentRun:
    """The run of a form; its files are gone where it is none."""
    try:
        sheet_name, sheet = _sheet(parts, service)
        files = tuple(
            (_base_name(part.file_name), part.stored)
            for part in parts
            if isinstance(part, FilePart) and part.field in RECORDING and part.file_name
        )
        if not files:
            raise BadFormError("the form has no part `recording`; send the logger's file as one")
        return SentRun(sheet_name, sheet, files)
    except BaseException:
        discard(parts)
        raise


def _sheet(parts: Sequence[Part], service: Service) -> tuple[str, Stored]:
    sheets = [part for part in parts if part.field in SHEET]
    files = [part for part in sheets if isinstance(part, FilePart) and part.stored.size]
    texts = [part for part in sheets if isinstance(part, TextPart) and part.text.strip()]
    if len(files) + len(texts) != 1:
        raise BadFormError(
            f"the form has {len(files) + len(texts)} sheets; wanted one part `sheet`, as a file "
            "or as text"
        )
    if files:
        name = _base_name(files[0].file_name)
        if not name.endswith(".toml"):  # as campaigns are read: 014.TOML is no sheet to them
            raise BadFormError(
                f"the sheet is {name!r}; wanted a name that ends in .toml: rename it and send it "
                "again"
            )
        return name, files[0].stored
    stored = store_text(
        texts[0].text, service.settings.places.incoming, LIMITS.sheet_bytes, "the sheet"
    )
    first = next((p.file_name for p in parts if isinstance(p, FilePart) and p.file_name), "run")
    return f"{PurePosixPath(_base_name(first)).stem}.toml", stored


def _base_name(given: str) -> str:
    """Browsers and clients send a name alone, some old ones a whole path: the last part counts."""
    return checked_name(given.replace("\\", "/").rsplit("/", 1)[-1])
