"""A request's body as it streams in, to one file on disk."""

from __future__ import annotations

import asyncio
import base64
import binascii
import re
from collections.abc import AsyncGenerator, AsyncIterable
from contextlib import aclosing
from pathlib import Path

from buffet.service.intake.disk import Sink, Stored, require_space, too_large
from buffet.service.intake.errors import (
    BadHeaderError,
    DigestMismatchError,
    IncompleteBodyError,
    shown,
)
from buffet.service.intake.limits import UploadLimits

# Servers hand bodies over in pieces of 64 KiB at most; larger ones mean fewer turns of a thread.
_PIECE_BYTES = 1 << 20
_HEX = re.compile(r"[0-9a-fA-F]{64}")
# A byte sequence in a dictionary of structured fields (RFC 8941, 3.2 and 3.3.5).
_DIGEST = re.compile(r"\s*([a-z*][a-z0-9_.*-]*)\s*=\s*:([A-Za-z0-9+/=]*):\s*(;.*)?")


async def receive(
    stream: AsyncIterable[bytes],
    folder: Path,
    limits: UploadLimits | None = None,
    *,
    declared: str | None = None,
    digest: str | None = None,
    limit: int | None = None,
) -> Stored:
    """Stream a body to a new file in `folder`; its bytes are on the disk when this returns.

    Nothing stays behind on any error, where the connection ends or the task is cancelled.

    Parameters
    ----------
    declared : the header Content-Length, which is believed only where it says too much
    digest : the SHA-256 that is wanted: in hex, or a header Content-Digest (RFC 9530)
    limit : most bytes where they are fewer than `limits.body_bytes`

    Raises
    ------
    TooLargeError, NoSpaceError, IncompleteBodyError, BadHeaderError, DigestMismatchError
    """
    most = (limits or UploadLimits()).body_bytes
    most = most if limit is None else min(limit, most)
    wanted = wanted_sha256(digest)
    sink = Sink(folder, most, "the body")
    try:
        async with aclosing(body_pieces(stream, folder, most, declared)) as pieces:
            async for piece in pieces:
                await asyncio.to_thread(sink.write, piece)
        stored = await asyncio.to_thread(sink.finish)
        if wanted is not None and stored.sha256 != wanted:
            raise DigestMismatchError(wanted, stored.sha256)
    except BaseException:
        sink.discard()
        raise
    return stored


async def body_pieces(
    stream: AsyncIterable[bytes], folder: Path, most: int, declared: str | None
) -> AsyncGenerator[bytes, None]:
    """The body in pieces of a megabyte, counted.

    Raises TooLargeError or NoSpaceError before the first where the declared length is too much,
    TooLargeError as soon as it is longer than `most`, and IncompleteBodyError at its end where it
    is not as long as declared.
    """
    length = declared_length(declared)
    if length is not None:
        if length > most:
            raise too_large("the body", most, length)
        require_space(folder, length)
    total, waiting = 0, bytearray()
    async for data in stream:
        total += len(data)
        if total > most:
            raise too_large("the body", most)
        waiting += data
        if len(waiting) >= _PIECE_BYTES:
            yield bytes(waiting)
            waiting.clear()
    if length is not None and total != length:
        raise IncompleteBodyError(
            f"{total} bytes came of {length} that were declared; "
            "the connection broke: send it again"
        )
    if waiting:
        yield bytes(waiting)


def declared_length(header: str | None) -> int | None:
    """Content-Length as a number; None where there is none.

    Raises BadHeaderError where it is none.
    """
    if header is None:
        return None
    if not re.fullmatch(r"[0-9]{1,18}", header.strip()):
        raise BadHeaderError(f"Content-Length is {shown(header)}; wanted a number of bytes")
    return int(header)


def wanted_sha256(text: str | None) -> str | None:
    """SHA-256 in hex from hex or from a header Content-Digest (RFC 9530, section 2).

    None where there is none: of the header's algorithms only sha-256 is looked at.

    Raises BadHeaderError where it cannot be read.
    """
    if text is None:
        return None
    if _HEX.fullmatch(text.strip()):
        return text.strip().lower()
    found = None
    for member in text.split(","):
        match = _DIGEST.fullmatch(member)
        if match is None:
            raise _bad_digest(text)
        if match[1] == "sha-256":
            found = _decoded(match[2], text)
    return found


def _decoded(encoded: str, text: str) -> str:
    try:
        digest = base64.b64decode(encoded, validate=True)
    except binascii.Error as error:
        raise _bad_digest(text) from error
    if len(digest) != 32:
        raise _bad_digest(text)
    return digest.hex()


def _bad_digest(text: str) -> BadHeaderError:
    return BadHeaderError(
        f"the digest is {shown(text)}; wanted 64 hex digits, or Content-Digest: "
        "sha-256=:...: with the digest in base64 (RFC 9530)"
    )
