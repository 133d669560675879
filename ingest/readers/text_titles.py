"""The names and units above the samples of a text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import pairwise

from ingest.readers.text_fields import BLANKS, look_like_units, split_line, unit_text
from ingest.readers.text_head import TextHead
from ingest.readers.text_split import Split, comment_marks, is_comment
from ingest.recording import FileOptions

# A header may name only the first of many columns, if it names at least this share of them ...
_NAMED_SHARE = 0.1
# ... and the name of a lone column that stands in a comment is a word, not a sentence.
_WORD_LENGTH = 40


def find_titles(
    head: TextHead, file: FileOptions, split: Split, first_row: int
) -> tuple[list[str], list[str] | None]:
    """Names and units of the columns, stated or found; empty and None where there are none."""
    header_row, units_row = file.header_row, file.units_row
    if header_row is None:
        header_row, below = _choose(_candidates(head, file, split, first_row))
    else:
        below = _units_below(head, file, split, header_row, first_row)
    if units_row is None:
        units_row = below
    names = [] if header_row is None else _fields(head.lines[header_row], file, split)
    if split.delimiter == BLANKS and len(names) > split.n_fields:
        names = []  # blanks inside names: there is no telling which belongs to which column
    if units_row is None:
        return names, None
    return names, [unit_text(text) for text in _fields(head.lines[units_row], file, split)]


def _candidates(
    head: TextHead, file: FileOptions, split: Split, first_row: int
) -> dict[int, list[str]]:
    """Rows right above the samples that could hold names or units, topmost first."""
    marks = comment_marks(file)
    above = [row for row in range(file.skip_rows or 0, first_row) if head.lines[row].strip()]
    fields = {row: _fields(head.lines[row], file, split) for row in above}
    plain = [row for row in above if not is_comment(head.lines[row], marks)]
    if not plain:
        return {row: fields[row] for row in above[-1:] if _name_all(fields[row], split)}
    found: list[int] = []
    for row in reversed(plain):
        if not _may_name(fields[row], split):
            break
        found.insert(0, row)
    return {row: fields[row] for row in found}


def _may_name(fields: list[str], split: Split) -> bool:
    if split.n_fields == 1:
        return len(fields) == 1
    return len(fields) >= max(2, _NAMED_SHARE * split.n_fields)


def _name_all(fields: list[str], split: Split) -> bool:
    if split.n_fields == 1:
        text = "".join(fields)
        return 0 < len(text) <= _WORD_LENGTH and not re.search(r"\s", text)
    return len(fields) == split.n_fields


def _units_below(
    head: TextHead, file: FileOptions, split: Split, header_row: int, first_row: int
) -> int | None:
    row = header_row + 1
    below = row < first_row and look_like_units(_fields(head.lines[row], file, split))
    return row if below else None


def _fields(line: str, file: FileOptions, split: Split) -> list[str]:
    text = line.lstrip()
    for mark in comment_marks(file):
        text = text.removeprefix(mark).lstrip(" ")
    fields = split_line(text, split.delimiter)
    if split.delimiter == BLANKS and len(fields) > split.n_fields:
        return re.split(r"\s{2,}|\t", text.strip())
    while fields and not fields[-1] and len(fields) > split.n_fields:
        fields.pop()
    return fields


def _choose(rows: Mapping[int, list[str]]) -> tuple[int | None, int | None]:
    """Header and units row: a row of units tells both, else the lowest row without a hole."""
    order = list(rows)
    for above, below in pairwise(order):
        if look_like_units(rows[below]):
            return above, below
    whole = [row for row in order if all(rows[row])]
    lowest = (whole or order)[-1:]
    return (lowest[0] if lowest else None), None
