"""A connection to the catalogue: SQLite in the service's folder, or PostgreSQL.

All of the service reads within `reading` and changes within `writing`, one transaction each. Three
habits of SQLite's driver are dealt with here, by events as SQLAlchemy's documentation of the
dialect has it:

- it begins transactions late and by itself, so that two reads may see two states and tables are
  made outside of any: it is set to begin none, and BEGIN is sent where SQLAlchemy begins;
- a transaction that reads first and writes then fails at once where another wrote meanwhile,
  without waiting: those that write say BEGIN IMMEDIATE, and wait for one another there;
- foreign keys are checked only where each connection asks for it, and a table that a migration
  writes anew must not take with it the rows that refer to it.

PostgreSQL lets two change at once, each seeing what the other has not kept yet: the same campaign
would come in twice, and a job could begin after it was cancelled. There, too, one writes at a time,
by an advisory lock; changes take milliseconds.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any, Literal

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as NoConnectionLeftError

from buffet.service.errors import FolderError
from buffet.service.settings import PASSWORD_VARIABLE, Places, ServiceSettings

Mode = Literal["reading", "snapshot", "writing", "migrating"]

POSTGRESQL = "postgresql+psycopg"
EXAMPLE = f"{POSTGRESQL}://buffet@localhost/buffet"
# Connections that stay open, and how many more there may be: the server answers on 40 threads.
KEPT, MORE = 10, 40
# How long to wait for a connection, a server or another's change; all of them take milliseconds.
PATIENCE_S = 30
_MODE = "buffet_mode"
_THAT_READ = ("reading", "snapshot")
# Any number, as long as nothing else in the database takes it for a lock of its own.
_WRITERS = 0x62756677


def open_database(settings: ServiceSettings) -> Engine:
    """The engine of a service's catalogue; nothing is connected to yet.

    Raises
    ------
    FolderError
        The folder is not there, the address is of no database that is known or holds a password,
        or the driver is missing.
    """
    if settings.database_url is None:
        return _sqlite(settings.places)
    return _postgresql(settings.database_url)


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One transaction that reads and cannot change anything.

    Raises
    ------
    FolderError
        The database cannot be reached.
    """
    with _transaction(engine, "reading") as connection:
        yield connection


@contextmanager
def snapshot(engine: Engine) -> Iterator[Connection]:
    """As `reading`; all that is read is of one moment, however long that takes.

    Raises
    ------
    FolderError
        The database cannot be reached.
    """
    with _transaction(engine, "snapshot") as connection:
        yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction that changes: kept at the end, undone where an error comes first.

    Raises
    ------
    FolderError
        The database cannot be reached, or another's change took too long.
    """
    with _transaction(engine, "writing") as connection:
        yield connection


@contextmanager
def migrating(engine: Engine) -> Iterator[Connection]:
    """One transaction that may write tables anew; for migrations alone.

    Raises
    ------
    FolderError
        The database cannot be reached, or another's change took too long.
    """
    with _transaction(engine, "migrating") as connection:
        yield connection


@contextmanager
def _transaction(engine: Engine, mode: Mode) -> Iterator[Connection]:
    connection, begun = _begun(engine, mode)
    with connection, begun:
        yield connection


def _begun(engine: Engine, mode: Mode) -> tuple[Connection, Any]:
    try:
        connection = engine.connect()
    except (DBAPIError, NoConnectionLeftError, sqlite3.Error) as error:
        raise _unreachable(engine, error) from error
    options: dict[str, Any] = {_MODE: mode, "postgresql_readonly": mode in _THAT_READ}
    if mode == "snapshot" and engine.dialect.name == "postgresql":  # SQLite's transactions all are
        options["isolation_level"] = "REPEATABLE READ"
    try:
        begun = connection.execution_options(**options).begin()
        if mode == "writing" and engine.dialect.name == "postgresql":
            connection.execute(text(f"SET LOCAL lock_timeout = '{PATIENCE_S}s'"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _WRITERS})
        return connection, begun
    except OperationalError as error:
        connection.close()
        raise _unreachable(engine, error) from error


def _unreachable(engine: Engine, error: Exception) -> FolderError:
    """In words: where, and the driver's own first line, which never holds the password."""
    cause = error.orig if isinstance(error, DBAPIError) else error
    said = str(cause).strip().splitlines() or [type(cause).__name__]
    return FolderError(f"the database {address(engine.url)} cannot be used: {said[0]}")


def address(url: URL) -> str:
    """An address to tell, without password."""
    if url.drivername.startswith("sqlite"):
        return str(url.database)
    return url._replace(password=None).render_as_string()


def _postgresql(given: str) -> Engine:
    url = _checked(given).set(password=os.environ.get(PASSWORD_VARIABLE) or None)
    try:
        return create_engine(
            url,
            isolation_level="READ COMMITTED",
            pool_pre_ping=True,  # a server that was started again is not an error
            connect_args={"connect_timeout": PATIENCE_S, "application_name": "buffet"},
            **_COMMON,
        )
    except ModuleNotFoundError as error:
        raise FolderError(
            f'{address(url)}: PostgreSQL needs psycopg; pip install "buffeting[postgresql]"'
        ) from error


def _checked(given: str) -> URL:
    """An address without password; errors never repeat what was given, which may hold one."""
    wanted = f'for example "{EXAMPLE}"; without one the catalogue is SQLite in the folder'
    try:
        url = make_url(given)
    except ArgumentError as error:
        raise FolderError(f"the database's address cannot be read; wanted {wanted}") from error
    if url.drivername not in (POSTGRESQL, "postgresql"):
        raise FolderError(f"{url.drivername!r} is no database that serves here; wanted {wanted}")
    if url.password is not None or "password" in url.query:
        raise FolderError(
            "the database's address holds a password, which lists of processes show: leave it out "
            f"and put it into the environment variable {PASSWORD_VARIABLE}"
        )
    return url.set(drivername=POSTGRESQL)


def _sqlite(places: Places) -> Engine:
    path = places.database
    try:
        path.touch(mode=0o600)  # -wal and -shm get the same mode
    except OSError as error:
        raise FolderError(f"{path}: cannot be opened: {error.strerror}") from error
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        connect_args={"timeout": PATIENCE_S},
        **_COMMON,
    )
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


_COMMON: dict[str, Any] = {
    "pool_size": KEPT,
    "max_overflow": MORE,
    "pool_timeout": PATIENCE_S,
    # PostgreSQL refuses NaN in JSON: so does SQLite here.
    "json_serializer": partial(json.dumps, allow_nan=False),
}


def _on_connect(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    # FULL: what was answered as done is on disk, whatever happens to the power.
    for pragma in ("journal_mode = WAL", "synchronous = FULL"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _on_begin(connection: Connection) -> None:
    mode: Mode = connection.get_execution_options().get(_MODE, "reading")
    # Neither can be changed within a transaction.
    connection.exec_driver_sql(f"PRAGMA query_only = {mode in _THAT_READ}")
    connection.exec_driver_sql(f"PRAGMA foreign_keys = {mode != 'migrating'}")
    connection.exec_driver_sql("BEGIN" if mode in _THAT_READ else "BEGIN IMMEDIATE")
