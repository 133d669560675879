"""Which delimiter and decimal sign a text uses, and which of its lines hold samples."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise
from typing import Literal

from ingest.errors import RecordingError
from ingest.readers.text_fields import (
    BLANKS,
    looks_like_time,
    sample,
    says_not_a_number,
    split_line,
)
from ingest.readers.text_head import TextHead
from ingest.recording import FileOptions

# In order of preference where several split the lines equally well: a tab or semicolon never
# stands inside a number, a comma may, blanks may pad any of them.
DELIMITERS = ("\t", ";", "|", ",", BLANKS)
COMMENTS = ("#", "%")
# Lines at the end of the look that decide: enough that one damaged line does not, few enough to
# be quick; fewer where these are not mostly samples (a long preamble and a short record).
JUDGED_LINES = 40
_FEWER_LINES = (JUDGED_LINES, 10, 3)

_Kind = Literal["number", "time", "other"]


@dataclass(frozen=True)
class Split:
    """One way to read the lines."""

    delimiter: str
    decimal: str
    missing: tuple[str, ...]
    kinds: tuple[_Kind, ...]  # what each field of most lines holds
    clean_share: float  # of the judged fields, those that are numbers, missing or times

    @property
    def n_fields(self) -> int:
        """Fields of most lines."""
        return len(self.kinds)

    def kind(self, text: str) -> _Kind | None:
        """What a stripped field holds; None where it tells nothing (empty, a dash)."""
        value = sample(text, self.decimal, self.missing)
        if value is None:
            return "time" if looks_like_time(text) else "other"
        is_number = value == value or says_not_a_number(text) or text in self.missing
        return "number" if is_number else None


def comment_marks(file: FileOptions) -> tuple[str, ...]:
    """What a line that holds no samples may begin with."""
    return (file.comment,) if file.comment else COMMENTS


def is_comment(line: str, marks: Sequence[str]) -> bool:
    """The line begins with a comment mark."""
    return line.lstrip().startswith(tuple(marks))


def start_row(file: FileOptions) -> int:
    """First row that may hold samples, from what is stated."""
    stated = (file.header_row, file.units_row)
    return max(file.skip_rows or 0, *(0 if row is None else row + 1 for row in stated))


def find_split(head: TextHead, file: FileOptions) -> Split:
    """The delimiter and decimal sign that make numbers of most fields.

    Raises
    ------
    RecordingError
        There are no lines of samples, or the stated delimiter makes no numbers of them.
    """
    if file.delimiter is not None and file.delimiter == file.decimal:
        raise RecordingError(
            head.path,
            "",
            f"delimiter and decimal are both {file.decimal!r}",
            "state two different ones",
        )
    judged = list(islice(_filled(head, file), JUDGED_LINES))
    if not judged:
        raise no_samples(head)
    for count in _FEWER_LINES:
        best = _best_split(judged[:count], file)
        if "number" in best.kinds:
            return best
    if file.delimiter is None:
        raise no_samples(head)
    raise RecordingError(
        head.path,
        "",
        f"delimiter {file.delimiter!r} does not split {judged[0].strip()[:60]!r} into numbers",
        "state another delimiter, or leave it out to have it found",
    )


def _best_split(lines: Sequence[str], file: FileOptions) -> Split:
    ways = [
        _try_split(lines, delimiter, decimal, file.missing)
        for delimiter in (DELIMITERS if file.delimiter is None else (file.delimiter,))
        for decimal in ((".", ",") if file.decimal is None else (file.decimal,))
        if decimal != delimiter
    ]
    return max(ways, key=lambda way: (round(way.clean_share, 2), way.n_fields))


def no_samples(head: TextHead) -> RecordingError:
    """The error of a text without a line of numbers."""
    last = next((line.strip()[:60] for line in reversed(head.lines) if line.strip()), "")
    return RecordingError(
        head.path,
        "",
        f"there are no samples; the last line is {last!r}",
        "check that the logger has run, or state skip_rows and delimiter",
    )


def first_sample_row(head: TextHead, file: FileOptions, split: Split) -> int:
    """First line of samples.

    A line counts that holds what most lines hold; so do lines with any number right above it: a
    damaged line is to be refused, not to be taken for a title.

    Raises
    ------
    RecordingError
        There is none.
    """
    marks, start = comment_marks(file), start_row(file)
    for row in range(start, len(head.lines)):
        if _is_plain(head.lines[row], marks) and _holds_samples(head.lines[row], split):
            while row > start and _holds_number(head.lines[row - 1], split, marks):
                row -= 1
            return row
    raise no_samples(head)


def _filled(head: TextHead, file: FileOptions) -> Iterator[str]:
    """Lines that may hold samples, last first."""
    marks = comment_marks(file)
    return (line for line in reversed(head.lines[start_row(file) :]) if _is_plain(line, marks))


def _is_plain(line: str, marks: Sequence[str]) -> bool:
    return bool(line.strip()) and not is_comment(line, marks)


def _try_split(
    lines: Sequence[str], delimiter: str, decimal: str, missing: tuple[str, ...]
) -> Split:
    rows = [split_line(line, delimiter) for line in lines]
    n_fields = Counter(len(row) for row in rows).most_common(1)[0][0]
    usual = [row for row in rows if len(row) == n_fields]
    bare = Split(delimiter, decimal, missing, (), 0.0)
    found = [[bare.kind(text) for text in row] for row in usual]
    columns = zip(*found, strict=True)
    kinds = tuple(_usual_kind([kind for kind in column if kind]) for column in columns)
    clean = sum(kind != "other" for row in found for kind in row)
    share = clean / max(n_fields * len(rows), 1)
    return Split(delimiter, decimal, missing, kinds, share)


def _usual_kind(kinds: Sequence[_Kind]) -> _Kind:
    return Counter(kinds).most_common(1)[0][0] if kinds else "other"


def _holds_samples(line: str, split: Split) -> bool:
    fields = split_line(line, split.delimiter)
    if len(fields) != split.n_fields or _are_numbered_titles(fields, split):
        return False
    wanted = [kind for kind in split.kinds if kind != "other"]
    pairs = zip(fields, split.kinds, strict=True)
    found = [text for text, kind in pairs if kind != "other" and split.kind(text) == kind]
    return 2 * len(found) > len(wanted)


def _holds_number(line: str, split: Split, marks: Sequence[str]) -> bool:
    if is_comment(line, marks):
        return False
    fields = split_line(line, split.delimiter)
    enough = len(fields) >= max(1, split.n_fields // 2)
    return (
        enough
        and not _are_numbered_titles(fields, split)
        and any(split.kind(text) == "number" for text in fields)
    )


def _are_numbered_titles(fields: Sequence[str], split: Split) -> bool:
    """A word above numbers or times, and then 1, 2, 3, ...: channels named by their numbers."""
    numbers = [int(text) for text in fields if text.isdecimal()]
    steps = {after - before for before, after in pairwise(numbers)}
    pairs = zip(fields, split.kinds, strict=False)
    has_word = any(split.kind(text) == "other" and kind != "other" for text, kind in pairs)
    return has_word and steps == {1}
