"""The sheets of a campaign and the small files that they name, each with its digest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from ingest.paths import PathFault, named_file
from ingest.provenance import SourceFile
from ingest.readers.byte_source import file_digest
from ingest.sheet_faults import read_toml

# Keys whose text names a file: of balances and vehicles, of tubes and of seats. Recordings are
# hashed as they are read.
NAMING = frozenset({"file", "response", "transfer", "transfer_x", "transfer_y"})


def sheet_files(
    folder: Path, first: str, run_sheets: Mapping[str, Mapping[str, Any]]
) -> tuple[SourceFile, ...]:
    """Campaign sheet, run sheets and whatever these and what they name name, in that order.

    Parameters
    ----------
    folder : of a campaign whose sheets were found right
    first : the campaign's own sheet
    run_sheets : tables by name
    """
    found: dict[str, None] = {}
    waiting = [first, *run_sheets]
    while waiting:
        name = waiting.pop(0)
        if name in found:
            continue
        found[name] = None
        if name.endswith(".toml"):
            waiting += _named_in(folder, name, run_sheets.get(name))
    return tuple(SourceFile(name, file_digest(folder / name)) for name in found)


def _named_in(folder: Path, name: str, table: Mapping[str, Any] | None) -> Iterator[str]:
    table = read_toml(folder / name, name) if table is None else table  # type: ignore[assignment]
    for text in naming_texts(table):
        try:
            path = named_file(folder, folder / name, text)
        except PathFault:  # words of another meaning under such a key
            continue
        yield path.relative_to(folder.resolve()).as_posix()


def naming_texts(value: Any) -> Iterator[str]:
    """Texts under the naming keys, however deep."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if key in NAMING and isinstance(inner, str):
                yield inner
            else:
                yield from naming_texts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from naming_texts(inner)
