"""multipart/form-data as it streams in: files straight to disk, text fields in memory."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterable, Iterable
from contextlib import aclosing
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from buffet.service.intake.body import body_pieces
from buffet.service.intake.disk import Sink, Stored
from buffet.service.intake.errors import (
    BadFormError,
    TooLargeError,
    UnsupportedTypeError,
    shown,
    size_text,
)
from buffet.service.intake.limits import UploadLimits

# Content-Disposition, Content-Type, and a few that mail programs add.
_HEADERS = 8
_LONGEST_BOUNDARY = 70  # RFC 2046, 5.1.1
_PLAIN_ENCODINGS = {b"7bit", b"8bit", b"binary"}


@dataclass(frozen=True)
class TextPart:
    """A field of text."""

    field: str
    text: str


@dataclass(frozen=True)
class FilePart:
    """A file under a random name."""

    field: str
    file_name: str  # as it was sent, unchecked: `names.checked_name` is for whoever uses it
    stored: Stored


Part = TextPart | FilePart


async def receive_form(
    stream: AsyncIterable[bytes],
    content_type: str | None,
    folder: Path,
    limits: UploadLimits | None = None,
    *,
    declared: str | None = None,
) -> tuple[Part, ...]:
    """Stream a form; its files are on the disk when this returns, its parts in their order.

    A file input that was left empty gives no part. Nothing stays behind on any error, where the
    connection ends or the task is cancelled.

    Parameters
    ----------
    content_type, declared : the headers Content-Type and Content-Length
    folder : where the files go

    Raises
    ------
    UnsupportedTypeError, BadFormError, TooLargeError, NoSpaceError, IncompleteBodyError,
    BadHeaderError
    """
    limits = limits or UploadLimits()
    form = _Form(_boundary(content_type), folder, limits)
    try:
        async with aclosing(body_pieces(stream, folder, limits.body_bytes, declared)) as pieces:
            async for piece in pieces:
                await asyncio.to_thread(form.feed, piece)
        return form.finish()
    except BaseException:
        form.discard()
        raise


def discard(parts: Iterable[Part]) -> None:
    """Remove the files of a form that is not wanted after all."""
    for part in parts:
        if isinstance(part, FilePart):
            part.stored.path.unlink(missing_ok=True)


def _boundary(content_type: str | None) -> bytes:
    from python_multipart.multipart import parse_options_header

    try:
        kind, options = parse_options_header(content_type)
    except UnicodeEncodeError:  # no header has other characters than Latin 1
        kind, options = b"", {}
    if kind != b"multipart/form-data":
        given = "none" if content_type is None else shown(content_type)
        raise UnsupportedTypeError(f"Content-Type is {given}; wanted multipart/form-data")
    boundary = options.get(b"boundary", b"")
    if not 0 < len(boundary) <= _LONGEST_BOUNDARY:
        raise BadFormError(
            f"Content-Type has no boundary of 1 to {_LONGEST_BOUNDARY} characters; "
            "have the program that sends the form write its header"
        )
    return boundary


class _Form:
    """What the parser has told so far."""

    def __init__(self, boundary: bytes, folder: Path, limits: UploadLimits) -> None:
        from python_multipart import MultipartParser

        self._folder, self._limits = folder, limits
        self._parser = MultipartParser(
            boundary,
            {
                "on_part_begin": self._begin,
                "on_header_field": self._header_name,
                "on_header_value": self._header_value,
                "on_header_end": self._header_end,
                "on_headers_finished": self._headers_finished,
                "on_part_data": self._data,
                "on_part_end": self._end_part,
                "on_end": self._end,
            },
            # Counted here, over all headers of a part.
            max_header_count=limits.body_bytes,
            max_header_size=limits.body_bytes,
        )
        self._headers: list[tuple[bytes, bytes]] = []
        self._name, self._value = bytearray(), bytearray()  # of the header that is read
        self._field, self._file_name = "", ""
        self._text: bytearray | None = None  # of the part that is read, where it is a field
        self._sink: Sink | None = None  # where it is a file
        self._sinks: list[Sink] = []  # all of them, to be discarded
        self._parts: list[Part] = []
        self._lock, self._discarded = Lock(), False
        self._begun = 0
        self._header_bytes = 0
        self._text_bytes = 0
        self._ended = False

    def feed(self, data: bytes) -> None:
        """Parse a piece of the body."""
        from python_multipart.exceptions import FormParserError

        try:
            with self._lock:
                if not self._discarded:
                    self._parser.write(data)
        except FormParserError as error:
            raise self._bad(f"is damaged ({error})") from error

    def finish(self) -> tuple[Part, ...]:
        """All parts, once the whole body has come."""
        if not self._ended:
            raise BadFormError(
                "the form ends before its last boundary; it was cut short: send it again"
            )
        return tuple(self._parts)

    def discard(self) -> None:
        """Remove all files; whatever another thread still parses comes to nothing."""
        with self._lock:
            self._discarded = True
            for sink in self._sinks:
                sink.discard()

    def _bad(self, problem: str) -> BadFormError:
        return BadFormError(
            f"part {self._begun} of the form {problem}; wanted multipart/form-data of RFC 7578"
        )

    def _begin(self) -> None:
        self._begun += 1
        if self._begun > self._limits.parts:
            raise TooLargeError(
                f"the form has more than {self._limits.parts} parts; "
                "pack the files into one zip archive"
            )
        self._headers, self._header_bytes = [], 0
        self._text = self._sink = None

    def _header_name(self, data: bytes, start: int, end: int) -> None:
        self._count_header(end - start)
        self._name += data[start:end]

    def _header_value(self, data: bytes, start: int, end: int) -> None:
        self._count_header(end - start)
        self._value += data[start:end]

    def _count_header(self, n_bytes: int) -> None:
        self._header_bytes += n_bytes
        if self._header_bytes > self._limits.header_bytes or len(self._headers) >= _HEADERS:
            raise TooLargeError(
                f"part {self._begun} of the form has more than {_HEADERS} headers, or more than "
                f"{size_text(self._limits.header_bytes)} of them; wanted Content-Disposition and "
                "Content-Type alone"
            )

    def _header_end(self) -> None:
        self._headers.append((bytes(self._name).lower(), bytes(self._value)))
        self._name.clear()
        self._value.clear()

    def _headers_finished(self) -> None:
        options = self._disposition()
        if b"name" not in options:
            raise self._bad("has no field name")
        self._field = self._decoded(options[b"name"], "field name")
        encoding = dict(self._headers).get(b"content-transfer-encoding", b"binary")
        if encoding.strip().lower() not in _PLAIN_ENCODINGS:
            raise self._bad(f"is encoded as {shown(encoding.decode('latin-1'))}; send it as it is")
        if b"filename" not in options:
            self._text = bytearray()
            return
        self._file_name = self._decoded(options[b"filename"], "file name")
        limit = self._limits.of_file(self._file_name)
        self._sink = Sink(self._folder, limit, f"the file {shown(self._file_name)}")
        self._sinks.append(self._sink)

    def _disposition(self) -> dict[bytes, bytes]:
        from python_multipart.multipart import parse_options_header

        values = [value for name, value in self._headers if name == b"content-disposition"]
        if len(values) != 1:
            raise self._bad(f"has {len(values)} headers Content-Disposition, wanted one")
        kind, options = parse_options_header(values[0])
        if kind != b"form-data":
            raise self._bad("is no form-data")
        if b"filename" not in options and b"filename*" in values[0].lower():
            raise self._bad("has filename* alone, which forms may not use; send filename in UTF-8")
        return options

    def _decoded(self, raw: bytes, what: str) -> str:
        try:
            return raw.decode()
        except UnicodeDecodeError as error:
            raise self._bad(f"has a {what} that is not UTF-8") from error

    def _data(self, data: bytes, start: int, end: int) -> None:
        if self._sink is not None:
            self._sink.write(memoryview(data)[start:end])
        elif self._text is not None:
            self._text_bytes += end - start
            if self._text_bytes > self._limits.field_bytes:
                raise TooLargeError(
                    f"the form's text fields hold more than {size_text(self._limits.field_bytes)}; "
                    f"send the content of {shown(self._field)} as a file"
                )
            self._text += data[start:end]

    def _end_part(self) -> None:
        if self._sink is not None:
            if self._file_name == "" and self._sink.size == 0:  # an input that was left empty
                self._sink.discard()
            else:
                part = FilePart(self._field, self._file_name, self._sink.finish())
                self._parts.append(part)
        elif self._text is not None:
            text = self._decoded(bytes(self._text), f"text in {shown(self._field)}")
            self._parts.append(TextPart(self._field, text))
        self._text = self._sink = None

    def _end(self) -> None:
        self._ended = True
