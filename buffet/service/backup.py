"""A service's whole state as one file, made while it runs."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Connection, MetaData, Table, select, text

from buffet.service.backup_form import (
    LEFT_OUT,
    MANIFEST,
    BackupError,
    Manifest,
    Member,
    blob_name,
    rows_name,
)
from buffet.service.blobs import Blobs, fsync_folder
from buffet.service.database.engine import open_database, snapshot
from buffet.service.database.migrate import revision_of
from buffet.service.settings import ServiceSettings

PIECE_BYTES = 2**20
ROWS_AT_ONCE = 1000
OLDEST = (1980, 1, 1, 0, 0, 0)  # of members: the manifest says when the backup was made
Progress = Callable[[str], None]


def back_up(settings: ServiceSettings, output: Path, progress: Progress) -> Manifest:
    """Write a backup: all rows as they were at one moment, and all content that these name.

    Tokens are in it by their hashes, browsers' sessions and the secret of form tokens are not. It
    takes the place of an earlier one once it is whole and on disk.

    Raises
    ------
    FolderError
        The database cannot be reached.
    BackupError
        It has no tables yet, or content is missing or damaged.
    OSError
        The output cannot be written.
    """
    engine = open_database(settings)
    blobs = Blobs(settings.places)
    try:
        # From before the moment on, nothing that a row names goes away.
        with _beside(output) as file, blobs.held(), snapshot(engine) as connection:
            return _Writing(connection, blobs, file, progress).all()
    finally:
        engine.dispose()


@contextmanager
def _beside(output: Path) -> Iterator[IO[bytes]]:
    """A new file that becomes the output at the end, and none where it goes wrong."""
    handle, name = tempfile.mkstemp(prefix=f".{output.name}-", dir=output.parent)  # 0600
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, output)
    except BaseException:
        os.unlink(name)
        raise
    fsync_folder(output.parent)


class _Writing:
    """One backup while it is written."""

    def __init__(
        self, connection: Connection, blobs: Blobs, file: IO[bytes], progress: Progress
    ) -> None:
        self.connection, self.blobs, self.progress = connection, blobs, progress
        self.file = file
        self.members: dict[str, Member] = {}

    def all(self) -> Manifest:
        """Every member, and last the manifest."""
        revision = revision_of(self.connection)
        if revision is None:
            raise BackupError("the database has no tables of a service; there is nothing to keep")
        found = MetaData()
        found.reflect(self.connection)
        tables = [table for table in found.sorted_tables if table.name not in LEFT_OUT]
        with zipfile.ZipFile(self.file, "w") as self.archive:
            rows = {table.name: self._rows(table) for table in tables}
            self._contents(_named(self.connection, found))
            manifest = Manifest(
                version("buffeting"),
                revision,
                datetime.now(UTC).isoformat(timespec="seconds"),
                rows,
                _sequences(self.connection, tables),
                self.members,
            )
            self._write(MANIFEST, iter([manifest.text().encode()]), zipfile.ZIP_DEFLATED)
        return manifest

    def _rows(self, table: Table) -> int:
        """Write a table's rows; how many."""
        self.progress(f"table {table.name}")
        number = 0

        def lines() -> Iterator[bytes]:
            nonlocal number
            query = select(table).order_by(*table.primary_key.columns)
            found = self.connection.execution_options(yield_per=ROWS_AT_ONCE).execute(query)
            for part in found.mappings().partitions():
                number += len(part)
                yield b"".join(_line(dict(row)) for row in part)

        self._write(rows_name(table.name), lines(), zipfile.ZIP_DEFLATED)
        return number

    def _contents(self, named: list[str]) -> None:
        for i, sha256 in enumerate(named, 1):
            self.progress(f"file {i} of {len(named)}")
            name = blob_name(sha256)
            try:
                # Stored as they are: recordings hardly compress.
                with self.blobs.path(sha256).open("rb") as file:
                    self._write(name, iter(lambda: file.read(PIECE_BYTES), b""), zipfile.ZIP_STORED)
            except FileNotFoundError:
                raise BackupError(f"content {sha256} is missing in the folder's blobs") from None
            if self.members[name].sha256 != sha256:
                raise BackupError(
                    f"{self.blobs.path(sha256)}: is damaged, its content has another digest than "
                    "its name; replace it from an earlier backup"
                )

    def _write(self, name: str, pieces: Iterator[bytes], how: int) -> None:
        digest, size = hashlib.sha256(), 0
        entry = zipfile.ZipInfo(name, OLDEST)
        entry.compress_type, entry.external_attr = how, 0o600 << 16
        with self.archive.open(entry, "w", force_zip64=True) as target:
            for piece in pieces:
                digest.update(piece)
                size += len(piece)
                target.write(piece)
        if name != MANIFEST:
            self.members[name] = Member(digest.hexdigest(), size)


def _line(row: dict[str, Any]) -> bytes:
    return json.dumps(row, allow_nan=False, ensure_ascii=False).encode() + b"\n"


def _named(connection: Connection, found: MetaData) -> list[str]:
    """Digests of all content that files and results name, those in the bin among them."""
    named: set[str] = set()
    for table in ("files", "results"):
        named |= set(connection.scalars(select(found.tables[table].c.sha256).distinct()))
    return sorted(named)


def _sequences(connection: Connection, tables: list[Table]) -> dict[str, int]:
    """The last id that each table ever gave, so that none comes to mean another row."""
    if connection.dialect.name == "sqlite":
        found = connection.execute(text("SELECT name, seq FROM sqlite_sequence"))
        known = {row.name: row.seq for row in found}
        return {table.name: int(known[table.name]) for table in tables if table.name in known}
    last: dict[str, int] = {}
    for table in tables:
        if sequence := sequence_of(connection, table):
            query = text(f"SELECT last_value, is_called FROM {sequence}")
            value, is_called = connection.execute(query).one()
            last[table.name] = int(value) if is_called else 0
    return last


def sequence_of(connection: Connection, table: Table) -> str | None:
    """PostgreSQL's name, quoted, of what gives a table's ids; None where nothing does."""
    if "id" not in table.c:
        return None
    given = {"table": table.name}
    query = text("SELECT pg_get_serial_sequence(:table, 'id')")
    found = connection.scalar(query, given)
    return None if found is None else str(found)
