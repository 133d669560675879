"""Results to files: chosen by suffix, whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from buffet.column_units import column_units
from buffet.errors import OutputError
from buffet.interval import Interval

Writer = Callable[[Path], None]
PICTURES = (".png", ".svg", ".pdf")
# A spreadsheet takes a cell that begins so for a formula.
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


def write(path: Path, writers: Mapping[str, Writer]) -> None:
    """Write with the writer of the file's suffix, to a temporary file that is then renamed.

    Raises
    ------
    OutputError
        No writer has that suffix, or the place cannot be written to.
    """
    suffix = path.suffix.lower()
    if suffix not in writers:
        raise OutputError(
            f"{path}: cannot write {suffix or 'a file without suffix'} here; "
            f"choose one of {', '.join(sorted(writers))}"
        )
    try:
        handle, name = tempfile.mkstemp(prefix=".buffet-", suffix=suffix, dir=path.parent)
    except OSError as error:
        raise _unwritable(path, error) from error
    os.close(handle)
    temporary = Path(name)
    try:
        writers[suffix](temporary)
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        with contextlib.suppress(FileNotFoundError):
            temporary.unlink()


def _unwritable(path: Path, error: OSError) -> OutputError:
    if not path.parent.is_dir():
        return OutputError(f"{path}: there is no folder {path.parent}; make it first")
    return OutputError(f"{path}: cannot be written ({error.strerror}); choose another place")


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def text_writer(text: str) -> Writer:
    """Writes one text as UTF-8."""
    return lambda path: _write_text(path, text)


def _write_text(path: Path, text: str) -> None:
    path.write_text(text if text.endswith("\n") else text + "\n", encoding="utf-8")


def row_writers(rows: Sequence[Mapping[str, Any]]) -> dict[str, Writer]:
    """CSV and Parquet of a table of plain values."""
    return {".csv": CsvTable(rows), ".parquet": lambda path: _parquet(rows, path)}


@dataclass(frozen=True)
class CsvTable:
    """Writes rows as CSV in UTF-8.

    With `units_row` for spreadsheets: a second row holds the units, and a byte order mark tells
    that the text is UTF-8.
    """

    rows: Sequence[Mapping[str, Any]]
    units_row: bool = False

    def __call__(self, path: Path) -> None:
        """Write the file."""
        frame = _frame([{name: as_text(v) for name, v in row.items()} for row in self.rows])
        if not self.units_row:
            frame.to_csv(path, index=False)
            return
        frame.columns = [frame.columns, column_units(list(frame.columns))]
        frame.to_csv(path, index=False, encoding="utf-8-sig")


def with_units_row(writers: Mapping[str, Writer]) -> dict[str, Writer]:
    """The same writers, their CSV with a row of units."""
    table = writers[".csv"]
    assert isinstance(table, CsvTable)
    return {**writers, ".csv": replace(table, units_row=True)}


def as_text(value: Any) -> Any:
    """A cell as it is, but text that a spreadsheet would run as a formula behind an apostrophe.

    Names in tables come from files that somebody else may have written.
    """
    if isinstance(value, str) and value.startswith(FORMULA_SIGNS):
        return f"'{value}"
    return value


def _frame(rows: Sequence[Mapping[str, Any]]) -> Any:
    import pandas as pd

    return pd.DataFrame([dict(row) for row in rows])


def _parquet(rows: Sequence[Mapping[str, Any]], path: Path) -> None:
    from importlib.util import find_spec

    if find_spec("pyarrow") is None:
        raise OutputError(
            "Parquet needs the extra: pip install 'buffeting[formats]', or write .csv"
        )
    _frame(rows).to_parquet(path, index=False)


def columns(name: str, interval: Interval | None) -> dict[str, float | None]:
    """An interval as three columns."""
    if interval is None:
        return {name: None, f"{name}_low": None, f"{name}_high": None}
    return {name: interval.value, f"{name}_low": interval.low, f"{name}_high": interval.high}
