"""How a delimited text is laid out: stated by the sheet, or found in the first lines."""

from __future__ import annotations

import codecs
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from ingest.errors import RecordingError
from ingest.readers.text_chunks import contains_ascii
from ingest.readers.text_fields import (
    BLANKS,
    look_like_units,
    looks_like_time,
    sample,
    split_line,
    unit_text,
)
from ingest.recording import FileOptions

# In order of preference where several split the lines equally well: a tab or semicolon never
# stands inside a number, a comma may, blanks may pad any of them.
_DELIMITERS = ("\t", ";", "|", ",", BLANKS)
_COMMENTS = ("#", "%", "//")
# Lines at the end of the peek that decide on delimiter and number of fields: enough that one
# damaged line does not, few enough to be quick.
_JUDGED_LINES = 40
_JUDGED_BYTES = 4096  # even, and more than a chance run of NULs in a damaged file
# A text this much wider than long, and not shorter, holds one channel a row: no logger writes
# 100 columns and a tenth of that in samples.
_WIDE_FIELDS = 100
_WIDE_RATIO = 10


@dataclass(frozen=True)
class TextHead:
    """The first whole lines of a text."""

    lines: tuple[str, ...]  # without their ends
    n_bytes: int  # that these lines take in the decompressed file
    complete: bool  # there are no more lines


@dataclass(frozen=True)
class TextLayout:
    """Everything needed to turn the lines of one text into numbers."""

    encoding: str
    delimiter: str
    decimal: str
    comments: tuple[str, ...]  # what a line that is no samples may begin with
    missing: tuple[str, ...]
    columns: tuple[str, ...]
    units: tuple[str, ...] | None
    n_fields: int  # in every line of samples; one more than columns where a delimiter trails
    first_row: int  # zero-based line of the first samples

    @property
    def chunk_encoding(self) -> str:
        """Encoding of the chunks: the text's own, or UTF-8 where that does not contain ASCII."""
        return self.encoding if contains_ascii(self.encoding) else "utf-8"


@dataclass(frozen=True)
class _Split:
    """One way to read the judged lines."""

    delimiter: str
    decimal: str
    n_fields: int
    clean_share: float  # of the fields, those that are numbers, missing or times


def utf16_encoding(head: bytes) -> str | None:
    """Name of the UTF-16 encoding with a byte order mark, or with every other byte NUL."""
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    first = head[:_JUDGED_BYTES]
    for name, nul, text in (
        ("utf-16-le", first[1::2], first[::2]),
        ("utf-16-be", first[::2], first[1::2]),
    ):
        if nul and b"\0" not in text and nul.count(0) > 0.9 * len(nul):
            return name
    return None


def text_encoding(head: bytes, stated: str | None, path: Path) -> str:
    """Encoding of a text from its first bytes.

    Raises
    ------
    RecordingError
        The stated encoding is unknown.
    """
    if stated is not None:
        try:
            return codecs.lookup(stated).name
        except LookupError:
            raise RecordingError(
                path, "", f"encoding {stated!r} is unknown", 'state e.g. "utf-8" or "latin-1"'
            ) from None
    if (wide := utf16_encoding(head)) is not None:
        return wide
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def is_wide(head: TextHead, delimiter: str | None) -> bool:
    """One channel a row: few lines, each of very many fields."""
    lines = [line for line in head.lines if line.strip() and not line.startswith(_COMMENTS)]
    if not head.complete:
        return not head.lines  # not even one line ends in the part looked at
    if not lines:
        return False
    ways = _DELIMITERS if delimiter is None else (delimiter,)
    n_fields = max(len(split_line(lines[-1], way)) for way in ways)
    return n_fields >= max(_WIDE_FIELDS, _WIDE_RATIO * len(lines))


def find_layout(lines: Sequence[str], file: FileOptions, encoding: str, path: Path) -> TextLayout:
    """Layout of a text with one channel a column, from its first lines.

    Raises
    ------
    RecordingError
        The file is empty, holds no samples, has no such header row, or is not split by the
        stated delimiter.
    """
    if not any(line.strip() for line in lines):
        raise RecordingError(path, "", "the file is empty", "check that the logger has saved it")
    _check_stated_rows(lines, file, path)
    comments = (file.comment,) if file.comment else _COMMENTS
    split = _judge(lines, file, comments, path)
    first_row = _first_row(lines, file, comments, split, path)
    titles = _titles(lines, file, comments, split, first_row)
    names, units = _header(lines, file, comments, split, titles, first_row)
    n_fields = split.n_fields
    if split.delimiter != BLANKS and len(names) > n_fields:
        n_fields = len(names)  # every line of samples is short; said when they are read
    n_columns = n_fields - _trailing(lines[first_row:], split, names)
    return TextLayout(
        encoding=encoding,
        delimiter=split.delimiter,
        decimal=split.decimal,
        comments=comments,
        missing=file.missing,
        columns=_complete(names, n_columns),
        units=_complete_units(units, n_columns),
        n_fields=n_fields,
        first_row=first_row,
    )


def _check_stated_rows(lines: Sequence[str], file: FileOptions, path: Path) -> None:
    for key in ("skip_rows", "header_row", "units_row"):
        row = getattr(file, key)
        if row is not None and row >= len(lines):
            raise RecordingError(
                path,
                "",
                f"{key} = {row} is beyond the end; the file has {len(lines)} lines",
                f"state a {key} below {len(lines)}; rows count from zero",
            )


def _is_comment(line: str, comments: Sequence[str]) -> bool:
    return line.lstrip().startswith(tuple(comments))


def _judge(lines: Sequence[str], file: FileOptions, comments: Sequence[str], path: Path) -> _Split:
    start = max(file.skip_rows or 0, _after(file.header_row), _after(file.units_row))
    filled = [line for line in lines[start:] if line.strip() and not _is_comment(line, comments)]
    if not filled:
        raise RecordingError(path, "", "there are no samples", "check that the logger has run")
    judged = filled[-_JUDGED_LINES:]
    ways = [
        _try_split(judged, delimiter, decimal, file.missing)
        for delimiter in (_DELIMITERS if file.delimiter is None else (file.delimiter,))
        for decimal in (".,".replace(delimiter, "") if file.decimal is None else file.decimal)
    ]
    best = max(ways, key=lambda way: (round(way.clean_share, 2), way.n_fields))
    if best.clean_share == 0.0:
        _refuse(filled[-1], file, path)
    return best


def _after(row: int | None) -> int:
    return 0 if row is None else row + 1


def _refuse(line: str, file: FileOptions, path: Path) -> None:
    shown = line.strip()[:60]
    if file.delimiter is not None:
        raise RecordingError(
            path,
            "",
            f"delimiter {file.delimiter!r} does not split {shown!r} into numbers",
            "state another delimiter, or leave it out to have it found",
        )
    raise RecordingError(
        path, "", f"there are no samples: no number in {shown!r}", "check that the logger has run"
    )


def _try_split(
    lines: Sequence[str], delimiter: str, decimal: str, missing: tuple[str, ...]
) -> _Split:
    rows = [split_line(line, delimiter) for line in lines]
    n_fields = Counter(len(row) for row in rows).most_common(1)[0][0]
    fields = [field for row in rows if len(row) == n_fields for field in row]
    clean = sum(_is_clean(field, decimal, missing) for field in fields)
    consistent = sum(len(row) == n_fields for row in rows) / len(rows)
    return _Split(delimiter, decimal, n_fields, clean / max(len(fields), 1) * consistent)


def _is_clean(text: str, decimal: str, missing: tuple[str, ...]) -> bool:
    return sample(text, decimal, missing) is not None or looks_like_time(text)


def _first_row(
    lines: Sequence[str],
    file: FileOptions,
    comments: Sequence[str],
    split: _Split,
    path: Path,
) -> int:
    start = max(file.skip_rows or 0, _after(file.header_row), _after(file.units_row))
    for row in range(start, len(lines)):
        line = lines[row]
        if line.strip() and not _is_comment(line, comments) and _holds_samples(line, split, file):
            return row
    raise RecordingError(path, "", "there are no samples", "check that the logger has run")


def _holds_samples(line: str, split: _Split, file: FileOptions) -> bool:
    """Mostly numbers, and about as many fields as the other lines have."""
    fields = split_line(line, split.delimiter)
    numbers = [_is_clean(f, split.decimal, file.missing) for f in fields if f]
    if len(fields) == split.n_fields:
        return bool(numbers) and sum(numbers) >= 0.5 * len(numbers) * split.clean_share
    return bool(numbers) and all(numbers) and len(fields) >= max(2, split.n_fields // 2)


def _titles(
    lines: Sequence[str],
    file: FileOptions,
    comments: Sequence[str],
    split: _Split,
    first_row: int,
) -> list[int]:
    """Rows right above the samples that could hold names or units, topmost first."""
    start = file.skip_rows or 0
    above = [row for row in range(start, first_row) if lines[row].strip()]
    plain = [row for row in above if not _is_comment(lines[row], comments)]
    if not plain:  # the names may stand in the last comment
        return [row for row in above[-1:] if _may_name(lines[row], comments, split)]
    found: list[int] = []
    for row in reversed(plain):
        if not _may_name(lines[row], comments, split):
            break
        found.insert(0, row)
    return found


def _may_name(line: str, comments: Sequence[str], split: _Split) -> bool:
    fields = _title_fields(line, comments, split)
    if split.n_fields == 1:
        return True
    # A header may name only the first of many columns, but not one alone.
    return len(fields) >= 2 and 5 * len(fields) >= min(split.n_fields, 50) // 2


def _title_fields(line: str, comments: Sequence[str], split: _Split) -> list[str]:
    text = line.lstrip()
    for comment in comments:
        if text.startswith(comment):
            text = text[len(comment) :].lstrip(" ")
            break
    fields = split_line(text, split.delimiter)
    if split.delimiter == BLANKS and len(fields) > split.n_fields:
        return re.split(r"\s{2,}|\t", text.strip())  # names with blanks inside
    while fields and not fields[-1] and len(fields) > split.n_fields:
        fields.pop()
    return fields


def _header(
    lines: Sequence[str],
    file: FileOptions,
    comments: Sequence[str],
    split: _Split,
    titles: list[int],
    first_row: int,
) -> tuple[list[str], list[str] | None]:
    """Names and units, stated or found."""
    rows = {row: _title_fields(lines[row], comments, split) for row in titles}
    header_row, units_row = file.header_row, file.units_row
    if header_row is None:
        header_row, found = _choose_titles(rows)
        units_row = found if units_row is None else units_row
    elif units_row is None and header_row + 1 < first_row:
        below = _title_fields(lines[header_row + 1], comments, split)
        units_row = header_row + 1 if look_like_units(below) else None
    names = [] if header_row is None else _title_fields(lines[header_row], comments, split)
    if split.delimiter == BLANKS and len(names) > split.n_fields:
        names = []  # blanks inside names: there is no telling which belongs to which column
    if units_row is None:
        return names, None
    return names, [unit_text(u) for u in _title_fields(lines[units_row], comments, split)]


def _choose_titles(rows: dict[int, list[str]]) -> tuple[int | None, int | None]:
    order = list(rows)
    for above, below in pairwise(order):
        if look_like_units(rows[below]):
            return above, below
    named = [row for row in order if all(rows[row])]
    return (named[-1] if named else order[-1] if order else None), None


def _trailing(lines: Sequence[str], split: _Split, names: list[str]) -> int:
    """1 where every line of samples ends in a delimiter and nothing names what follows it."""
    named = len(names) >= split.n_fields and bool(names[split.n_fields - 1])
    if split.delimiter == BLANKS or split.n_fields < 2 or named:
        return 0
    rows = [split_line(line, split.delimiter) for line in lines[:_JUDGED_LINES] if line.strip()]
    return int(all(not row[-1] for row in rows if len(row) == split.n_fields))


def _complete(names: list[str], n_columns: int) -> tuple[str, ...]:
    """Every column has a name: its own, or its index."""
    padded = [*names, *[""] * (n_columns - len(names))][:n_columns]
    return tuple(name or str(index) for index, name in enumerate(padded))


def _complete_units(units: list[str] | None, n_columns: int) -> tuple[str, ...] | None:
    if units is None:
        return None
    return tuple([*units, *[""] * (n_columns - len(units))][:n_columns])
