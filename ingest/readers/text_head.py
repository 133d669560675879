"""The first lines of a text: its encoding, and how far the look reaches."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from pathlib import Path

from ingest.errors import RecordingError
from ingest.readers.byte_source import open_bytes
from ingest.readers.text_chunks import head_bytes

# Enough for some thousand rows of 32 channels, from which the sample rate is judged, and for any
# preamble a logger writes.
_HEAD_BYTES = 1 << 20
_JUDGED_BYTES = 4096  # even, and more than a chance run of NULs in a damaged file
# Share of NULs in every other byte that makes UTF-16 of a text without byte order mark: nearly
# all characters of a table of numbers are ASCII.
_NUL_SHARE = 0.9
# Control characters that texts do hold: tab, line feed, vertical tab, form feed, return, ^Z.
# NUL, where a file was damaged or never filled, is refused later with its line.
_TEXT_CONTROLS = (0, 9, 10, 11, 12, 13, 26)
_OTHER_CONTROLS = bytes(code for code in range(32) if code not in _TEXT_CONTROLS)
_TEXT_BEGINS = 64  # bytes without NUL


@dataclass(frozen=True)
class TextHead:
    """The first whole lines of a text; the beginning of the first where none ends."""

    path: Path
    encoding: str
    lines: tuple[str, ...]  # without their ends
    n_bytes: int  # that these lines take in the decompressed file
    complete: bool  # there are no more lines


def first_bytes(path: Path) -> bytes:
    """First bytes of the decompressed content.

    Raises
    ------
    RecordingError
        The file is missing or its compression is damaged.
    """
    with open_bytes(path) as (stream, _):
        return head_bytes(stream, _JUDGED_BYTES)


def is_text(first: bytes) -> bool:
    """UTF-16, or no control characters but those that texts hold."""
    if _utf16_encoding(first) is not None:
        return True
    return b"\0" not in first[:_TEXT_BEGINS] and first.translate(None, _OTHER_CONTROLS) == first


def read_head(path: Path, stated_encoding: str | None) -> TextHead:
    """First lines of a text.

    Raises
    ------
    RecordingError
        The stated encoding is unknown or not that of the text.
    """
    with open_bytes(path) as (stream, _):
        first = head_bytes(stream, _HEAD_BYTES)
    encoding = _text_encoding(first, stated_encoding, path)
    try:
        text = codecs.getincrementaldecoder(encoding)(errors="replace").decode(first)
    except UnicodeError as fault:
        raise RecordingError(
            path,
            "",
            f"the text is not in {encoding} ({fault})",
            "leave encoding out to have it found",
        ) from fault
    lines = text.removeprefix("\ufeff").split("\n")
    complete = len(first) < _HEAD_BYTES
    cut = len(lines) > 1 and not (complete and lines[-1])
    rest = lines.pop() if cut else ""
    n_bytes = len(first) - len(rest.encode(encoding, errors="replace"))
    return TextHead(path, encoding, tuple(line.rstrip("\r") for line in lines), n_bytes, complete)


def _utf16_encoding(head: bytes) -> str | None:
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    even, odd = head[:_JUDGED_BYTES:2], head[1:_JUDGED_BYTES:2]
    for name, high, low in (("utf-16-le", odd, even), ("utf-16-be", even, odd)):
        if high and b"\0" not in low and high.count(0) > _NUL_SHARE * len(high):
            return name
    return None


def _text_encoding(head: bytes, stated: str | None, path: Path) -> str:
    if stated is not None:
        try:
            return codecs.lookup(stated).name
        except LookupError:
            raise RecordingError(
                path, "", f"encoding {stated!r} is unknown", 'state e.g. "utf-8" or "latin-1"'
            ) from None
    if (utf16 := _utf16_encoding(head)) is not None:
        return utf16
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"
