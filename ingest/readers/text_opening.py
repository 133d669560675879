"""Recognising and opening delimited text."""

from __future__ import annotations

import codecs
from pathlib import Path

from ingest.readers.byte_source import open_bytes
from ingest.readers.delimited_text import DelimitedText
from ingest.readers.text_chunks import head_bytes
from ingest.readers.text_layout import (
    TextHead,
    find_layout,
    text_encoding,
    utf16_encoding,
)
from ingest.recording import ClockOptions, FileOptions, Recording

# Enough for 10,000 rows of 32 channels, from which the sample rate is judged, and for any
# preamble a logger writes.
_HEAD_BYTES = 4 << 20
_JUDGED_BYTES = 4096
# Control characters that texts do hold: tab, line feed, vertical tab, form feed, return, ^Z.
_TEXT_CONTROLS = (9, 10, 11, 12, 13, 26)
_OTHER_CONTROLS = bytes(code for code in range(32) if code not in _TEXT_CONTROLS)


def first_bytes(path: Path) -> bytes:
    """First bytes of the decompressed content."""
    with open_bytes(path) as (stream, _):
        return head_bytes(stream, _JUDGED_BYTES)


def is_text(first: bytes) -> bool:
    """UTF-16, or no control characters but those that texts hold."""
    if utf16_encoding(first) is not None:
        return True
    return first.translate(None, _OTHER_CONTROLS) == first


def open_text(path: Path, file: FileOptions, clock: ClockOptions) -> Recording:
    """Open a delimited text after a look at its first lines."""
    with open_bytes(path) as (stream, _):
        first = head_bytes(stream, _HEAD_BYTES)
    encoding = text_encoding(first, file.encoding, path)
    head = _head(first, encoding)
    return DelimitedText(path, find_layout(head.lines, file, encoding, path), clock, head)


def _head(first: bytes, encoding: str) -> TextHead:
    text = codecs.getincrementaldecoder(encoding)(errors="replace").decode(first)
    lines = text.removeprefix("\ufeff").split("\n")
    complete = len(first) < _HEAD_BYTES
    rest = "" if complete and lines[-1] else lines.pop()  # cut in the middle, or nothing
    n_bytes = len(first) - len(rest.encode(encoding, errors="replace"))
    return TextHead(tuple(line.rstrip("\r") for line in lines), n_bytes, complete)
