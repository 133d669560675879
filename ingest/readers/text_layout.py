"""How a delimited text is laid out: stated by the sheet, or found in the first lines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from ingest.errors import RecordingError
from ingest.readers.text_chunks import contains_ascii
from ingest.readers.text_fields import BLANKS, split_line
from ingest.readers.text_head import TextHead
from ingest.readers.text_split import (
    DELIMITERS,
    JUDGED_LINES,
    Split,
    comment_marks,
    find_split,
    first_sample_row,
    is_comment,
)
from ingest.readers.text_titles import find_titles
from ingest.recording import FileOptions

# A text this much wider than long, and not narrower, holds one channel a row: no logger writes
# 100 columns and a tenth of that in samples.
_WIDE_FIELDS = 100
_WIDE_RATIO = 10
_WIDE_JUDGED_CHARACTERS = 10_000  # of a row, to find the delimiter; over 500 numbers


@dataclass(frozen=True)
class TextLayout:
    """Everything needed to turn the lines of one text into numbers."""

    encoding: str
    delimiter: str
    decimal: str
    comments: tuple[str, ...]  # what a line that holds no samples may begin with
    missing: tuple[str, ...]
    columns: tuple[str, ...]
    units: tuple[str, ...] | None
    n_fields: int  # in every line of samples; one more than columns where a delimiter trails
    first_row: int  # zero-based line of the first samples

    @property
    def chunk_encoding(self) -> str:
        """Encoding of the chunks: the text's own, or UTF-8 where that does not contain ASCII."""
        return self.encoding if contains_ascii(self.encoding) else "utf-8"


def is_wide(head: TextHead, file: FileOptions) -> bool:
    """One channel a row, as stated, or as few lines of very many fields tell."""
    if file.orientation is not None:
        return file.orientation == "rows"
    if not head.complete:
        return len(head.lines) == 1  # it does not even end in the part looked at
    marks = comment_marks(file)
    last = next(_sample_lines(reversed(head.lines), marks), None)
    if last is None:
        return False
    ways = DELIMITERS if file.delimiter is None else (file.delimiter,)
    n_fields = max(len(split_line(last, way)) for way in ways)
    fewest = n_fields // _WIDE_RATIO + 1  # of lines that make it a table of columns
    n_lines = sum(1 for _ in islice(_sample_lines(head.lines, marks), fewest))
    return n_fields >= _WIDE_FIELDS and n_lines < fewest


def _sample_lines(lines: Iterable[str], marks: Sequence[str]) -> Iterator[str]:
    return (line for line in lines if line.strip() and not is_comment(line, marks))


def find_layout(head: TextHead, file: FileOptions) -> TextLayout:
    """Layout of a text with one channel a column, from its first lines.

    Raises
    ------
    RecordingError
        The file is empty, holds no samples, has no such header row, or is not split by the
        stated delimiter.
    """
    _check_rows(head, file)
    split = find_split(head, file)
    first_row = first_sample_row(head, file, split)
    names, units = find_titles(head, file, split, first_row)
    n_fields = split.n_fields
    if split.delimiter != BLANKS and len(names) > n_fields:
        n_fields = len(names)  # every line of samples is short; said when they are read
    n_columns = n_fields - _trailing(head.lines[first_row:], split, names)
    return TextLayout(
        encoding=head.encoding,
        delimiter=split.delimiter,
        decimal=split.decimal,
        comments=comment_marks(file),
        missing=file.missing,
        columns=tuple(name or str(index) for index, name in enumerate(_padded(names, n_columns))),
        units=None if units is None else tuple(_padded(units, n_columns)),
        n_fields=n_fields,
        first_row=first_row,
    )


def find_wide_layout(head: TextHead, file: FileOptions) -> TextLayout:
    """Layout of a text with one channel a row; its names are found when the rows are read.

    Raises
    ------
    RecordingError
        As for `find_layout`.
    """
    _check_rows(head, file)
    shortened = tuple(line[:_WIDE_JUDGED_CHARACTERS] for line in head.lines)
    split = find_split(replace(head, lines=shortened), file)
    return TextLayout(
        encoding=head.encoding,
        delimiter=split.delimiter,
        decimal=split.decimal,
        comments=comment_marks(file),
        missing=file.missing,
        columns=(),
        units=None,
        n_fields=split.n_fields,
        first_row=file.skip_rows or 0,
    )


def _check_rows(head: TextHead, file: FileOptions) -> None:
    if not any(line.strip() for line in head.lines):
        raise RecordingError(
            head.path, "", "the file is empty", "check that the logger has saved it"
        )
    n_lines = len(head.lines)
    for key in ("skip_rows", "header_row", "units_row"):
        row = getattr(file, key)
        if row is not None and row >= n_lines:
            whole = "the file has" if head.complete else "no later than in the first"
            raise RecordingError(
                head.path,
                "",
                f"{key} = {row} is too far down: {whole} {n_lines} lines",
                f"state a {key} below {n_lines}; rows count from zero",
            )


def _trailing(lines: Sequence[str], split: Split, names: Sequence[str]) -> int:
    """1 where every line of samples ends in a delimiter and nothing names what follows it."""
    named = len(names) >= split.n_fields and bool(names[split.n_fields - 1])
    if split.delimiter == BLANKS or split.n_fields < 2 or named:
        return 0
    rows = [split_line(line, split.delimiter) for line in lines[:JUDGED_LINES] if line.strip()]
    return int(all(not row[-1] for row in rows if len(row) == split.n_fields))


def _padded(texts: Sequence[str], length: int) -> list[str]:
    return [*texts, *[""] * (length - len(texts))][:length]
