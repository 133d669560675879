"""Forms of our own pages: their fields, and that they come from the browser they were made for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from urllib.parse import parse_qsl

from fastapi import Request

from buffet.service.access.form_tokens import FIELD, require_form_token
from buffet.service.intake.errors import BadFormError, TooLargeError
from buffet.service.intake.multipart import Part, TextPart, discard

LARGEST_FORM = 64 * 1024  # of fields alone
MOST_FIELDS = 50


async def fields_of(request: Request) -> dict[str, str]:
    """The fields of a small form.

    Raises
    ------
    FormTokenError
        It was not made for this browser.
    TooLargeError, BadFormError
        No form of ours is so large, or so written.
    """
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > LARGEST_FORM:
            raise TooLargeError(f"the form is larger than {LARGEST_FORM} bytes")
    try:
        pairs = parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError as error:
        raise BadFormError(f"the form cannot be read: {error}") from error
    fields = dict(pairs)
    require_form_token(request.state.form_token, fields.get(FIELD))
    return fields


def require_our_parts(request: Request, parts: Sequence[Part]) -> None:
    """The same of a form with files, which are gone where it is not ours."""
    texts = texts_of(parts)
    try:
        require_form_token(request.state.form_token, texts.get(FIELD))
    except BaseException:
        discard(parts)
        raise


def texts_of(parts: Sequence[Part]) -> Mapping[str, str]:
    """Fields of text, by name."""
    return {part.field: part.text for part in parts if isinstance(part, TextPart)}
