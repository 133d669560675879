"""Small tables of delimited text that people write by hand: a header, then a row a line.

For tables that fit on a few pages and may hold words; recordings go through the readers.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass

_DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True)
class SmallRow:
    """Cells of one line, without blanks around them."""

    line: int  # of the file, from 1 on
    cells: tuple[str, ...]


@dataclass(frozen=True)
class SmallTable:
    """All rows, the header first; blank lines and comments are left out."""

    rows: tuple[SmallRow, ...]
    decimal_comma: bool  # where commas do not part the cells

    def number(self, cell: str) -> float | None:
        """A cell's finite number, or None."""
        return finite_number(cell, decimal_comma=self.decimal_comma)


def small_table(text: str) -> SmallTable:
    """Rows of a text whose header tells the delimiter: comma, semicolon or tab.

    Raises csv.Error where the text is no such table.
    """
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    lines = [(number, line) for number, line in lines if not line.lstrip().startswith("#")]
    delimiter = max(_DELIMITERS, key=lines[0][1].count) if lines else _DELIMITERS[0]
    rows = [
        SmallRow(number, tuple(c.strip() for c in next(csv.reader([line], delimiter=delimiter))))
        for number, line in lines
    ]
    return SmallTable(tuple(rows), delimiter != ",")


def finite_number(cell: str, *, decimal_comma: bool) -> float | None:
    """A finite number as it is written, or None."""
    try:
        value = float(cell.replace(",", ".") if decimal_comma else cell)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
