"""A backup back into a service: checked whole first, then there at once or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, MetaData, Table, func, inspect, select, text
from sqlalchemy.exc import SQLAlchemyError

from buffet.service.backup import PIECE_BYTES, ROWS_AT_ONCE, Progress, sequence_of
from buffet.service.backup_form import (
    LARGEST_MANIFEST,
    LEFT_OUT,
    MANIFEST,
    BackupError,
    Manifest,
    Member,
    blob_name,
    manifest_of,
    rows_name,
)
from buffet.service.blobs import Blobs, fsync_folder
from buffet.service.database.engine import address, migrating, open_database
from buffet.service.database.migrate import known_revisions, require_sound, upgrade
from buffet.service.errors import FolderError
from buffet.service.settings import Places, ServiceSettings

# What reading a member of a damaged archive may raise.
_DAMAGES = (zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError, RuntimeError)


def restore(archive: Path, settings: ServiceSettings, progress: Progress) -> Manifest:
    """Make a service's folder, and its database, from a backup.

    Whatever goes wrong, the folder and the database are as before.

    Raises
    ------
    BackupError
        The archive is damaged or of a newer version, or there is something already where it is to
        be restored.
    FolderError
        The database cannot be reached.
    """
    folder = settings.folder
    _require_room(folder)
    with _opened(archive) as (source, manifest), _beside(folder) as made:
        within = replace(settings, folder=made)
        _Reading(archive, source, manifest, progress).contents_into(Places(made))
        engine = open_database(within)
        try:
            with migrating(engine) as connection:
                _require_empty(connection, engine)
                reading = _Reading(archive, source, manifest, progress)
                reading.rows_into(connection)
                if settings.database_url is not None:
                    _appear(made, folder)
        except BaseException:
            if settings.database_url is not None:
                _disappear(made, folder)
            raise
        finally:
            engine.dispose()
        if settings.database_url is None:
            _appear(made, folder)
    return manifest


def _require_room(folder: Path) -> None:
    try:
        there = sorted(os.listdir(folder))
    except FileNotFoundError:
        there = []
    except OSError as error:
        raise BackupError(f"{folder}: {error.strerror}; name a new folder") from error
    if there:
        raise BackupError(
            f"{folder}: holds {there[0]!r} already, and a backup is restored into a new or an "
            "empty folder alone"
        )
    if not folder.absolute().parent.is_dir():
        raise BackupError(f"{folder.absolute().parent}: is no folder; make it first")


def _require_empty(connection: Connection, engine: Engine) -> None:
    if tables := sorted(inspect(connection).get_table_names()):
        raise BackupError(
            f"the database {address(engine.url)} has a table {tables[0]!r} already, and a backup "
            "is restored into an empty one alone"
        )


@contextmanager
def _beside(folder: Path) -> Iterator[Path]:
    """Where the folder is made before it appears."""
    whole = folder.absolute()
    made = Path(tempfile.mkdtemp(prefix=f".{whole.name}-", dir=whole.parent))  # 0700
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _appear(made: Path, folder: Path) -> None:
    try:
        made.rename(folder)  # an empty folder gives way
    except OSError as error:
        raise BackupError(
            f"{folder}: cannot be put in place: {error.strerror}; name a new folder, not the root "
            "of a disk"
        ) from error
    fsync_folder(folder.absolute().parent)


def _disappear(made: Path, folder: Path) -> None:
    """Where the database did not take its part after the folder had appeared."""
    if not made.exists() and folder.exists():
        folder.rename(made)


@contextmanager
def _opened(archive: Path) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    """The archive and its manifest, which name the same members."""
    try:
        source = zipfile.ZipFile(archive)
    except OSError as error:
        raise BackupError(f"{archive}: {error.strerror}") from error
    except _DAMAGES as error:
        raise _damaged(archive, "is no whole archive, perhaps cut off", error) from error
    with source:
        names = [entry.filename for entry in source.infolist()]
        if MANIFEST not in names or len(set(names)) != len(names):
            raise _damaged(archive, f"has no {MANIFEST}, or a member twice")
        if source.getinfo(MANIFEST).file_size > LARGEST_MANIFEST:
            raise _damaged(archive, f"{MANIFEST} is longer than any")
        try:
            manifest = manifest_of(source.read(MANIFEST))
        except (*_DAMAGES, OSError) as error:  # the latter where it is said to begin before it all
            raise _damaged(archive, MANIFEST, error) from error
        if different := {*names} ^ {*manifest.members, MANIFEST}:
            raise _damaged(archive, f"{min(different)} stands in one of archive and manifest alone")
        _require_known(archive, manifest)
        yield source, manifest


def _damaged(archive: Path, where: str, error: Exception | None = None) -> BackupError:
    why = f" ({error})" if error else ""
    return BackupError(f"{archive}: is damaged: {where}{why}; nothing was changed, use another one")


def _require_known(archive: Path, manifest: Manifest) -> None:
    if manifest.revision not in known_revisions():
        raise BackupError(
            f"{archive}: was made by version {manifest.program} of buffet with tables of step "
            f"{manifest.revision}, which this version does not know; update buffet here"
        )


class _Reading:
    """An archive while it is restored; each member's digest is compared as it is read."""

    def __init__(
        self, archive: Path, source: zipfile.ZipFile, manifest: Manifest, progress: Progress
    ) -> None:
        self.archive, self.source, self.manifest = archive, source, manifest
        self.progress = progress

    def contents_into(self, places: Places) -> None:
        """All content, as the service keeps it."""
        blobs = Blobs(places)
        contents = self.manifest.blobs
        for i, (sha256, member) in enumerate(sorted(contents.items()), 1):
            self.progress(f"file {i} of {len(contents)}")
            file = places.incoming / sha256
            with file.open("xb") as target:
                self._read(blob_name(sha256), member, target.write)
            blobs.adopt(file, sha256)

    def rows_into(self, connection: Connection) -> None:
        """All rows, into tables as they were, which are then brought up to date."""
        try:
            upgrade(connection, self.manifest.revision)
            found = MetaData()
            found.reflect(connection)
            tables = [table for table in found.sorted_tables if table.name not in LEFT_OUT]
            if {table.name for table in tables} != set(self.manifest.rows):
                raise _damaged(self.archive, "its tables are not those of its step")
            for table in tables:
                self.progress(f"table {table.name}")
                self._fill(connection, table)
            _set_sequences(connection, tables, self.manifest)
            require_sound(connection)
            upgrade(connection)
        except SQLAlchemyError as error:
            said = str(getattr(error, "orig", None) or error).strip().splitlines()[0]
            raise _damaged(
                self.archive, "rows that the database refuses", Exception(said)
            ) from error
        except FolderError as error:
            raise _damaged(self.archive, "rows", error) from error

    def _fill(self, connection: Connection, table: Table) -> None:
        name = rows_name(table.name)
        number = 0
        with tempfile.TemporaryFile() as kept:
            self._read(name, self.manifest.members[name], kept.write)
            kept.seek(0)
            lines = iter(kept)
            while part := list(islice(lines, ROWS_AT_ONCE)):
                rows = [self._row(table, line, number + i) for i, line in enumerate(part, 1)]
                connection.execute(table.insert(), rows)
                number += len(part)
        if number != self.manifest.rows[table.name]:
            raise _damaged(self.archive, f"{name} has {number} rows, not as many as stated")

    def _row(self, table: Table, line: bytes, number: int) -> dict[str, Any]:
        where = f"{rows_name(table.name)}, line {number}"
        try:
            row = json.loads(line)
        except ValueError as error:
            raise _damaged(self.archive, where, error) from error
        if not isinstance(row, dict) or set(row) != set(table.c.keys()):
            raise _damaged(self.archive, f"{where} has other columns")
        return row

    def _read(self, name: str, member: Member, write: Callable[[bytes], Any]) -> None:
        """Raises BackupError where it is not what the manifest states."""
        digest, size = hashlib.sha256(), 0
        try:
            opened = self.source.open(name)
        except (*_DAMAGES, OSError) as error:
            raise _damaged(self.archive, name, error) from error
        try:
            with opened as file:
                while piece := file.read(PIECE_BYTES):
                    digest.update(piece)
                    size += len(piece)
                    if size > member.size:
                        break
                    write(piece)
        except _DAMAGES as error:
            raise _damaged(self.archive, name, error) from error
        if (digest.hexdigest(), size) != (member.sha256, member.size):
            raise _damaged(self.archive, f"{name} is not what {MANIFEST} states")


def _set_sequences(connection: Connection, tables: list[Table], manifest: Manifest) -> None:
    """No id is given twice, not even one whose row is gone."""
    for table in tables:
        last = manifest.sequences.get(table.name, 0)
        given = {"name": table.name, "last": last}
        if connection.dialect.name == "sqlite":
            _set_sqlite(connection, given)
        elif sequence := sequence_of(connection, table):
            highest = connection.scalar(select(func.max(table.c.id)))
            if highest := max(highest or 0, last):
                value = {"sequence": sequence, "value": highest}
                connection.execute(text("SELECT setval(:sequence, :value)"), value)


def _set_sqlite(connection: Connection, given: dict[str, Any]) -> None:
    """Where SQLite counts at all: it does so for tables that never give an id twice."""
    sql = "SELECT count(*) FROM sqlite_master WHERE name = :name AND sql LIKE '%AUTOINCREMENT%'"
    if not connection.scalar(text(sql), given):
        return
    highest = connection.scalar(text("SELECT seq FROM sqlite_sequence WHERE name = :name"), given)
    if highest is None:
        insert = "INSERT INTO sqlite_sequence (name, seq) VALUES (:name, :last)"
        connection.execute(text(insert), given)
    elif highest < given["last"]:
        change = "UPDATE sqlite_sequence SET seq = :last WHERE name = :name"
        connection.execute(text(change), given)
