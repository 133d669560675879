"""Databases for tests: SQLite in a temporary folder, and PostgreSQL in a cluster of their own."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy import Engine

from buffet.service.database.engine import open_database
from buffet.service.database.migrate import migrate
from buffet.service.database.tables import METADATA
from buffet.service.settings import PASSWORD_VARIABLE, ServiceSettings

KINDS = ("sqlite", "postgresql")
PASSWORD = "correct horse battery staple"
USER = "buffet"
MIGRATED = "migrated"
START_S = 60.0
# Nothing in a test outlives the machine; many engines are open at once.
OPTIONS = (
    "listen_addresses=",
    "fsync=off",
    "synchronous_commit=off",
    "full_page_writes=off",
    "max_connections=200",
    "shared_buffers=16MB",
)


@dataclass(frozen=True)
class Cluster:
    """A running PostgreSQL that knows one user, by password, over a socket in its folder."""

    folder: Path
    _numbers: Iterator[int] = field(default_factory=count)

    def url(self, database: str) -> str:
        """The address of one of its databases."""
        return f"postgresql+psycopg://{USER}@/{database}?host={self.folder}"

    def execute(self, statement: str, database: str = "postgres") -> None:
        """Run one statement outside of transactions."""
        with psycopg.connect(
            host=str(self.folder),
            user=USER,
            password=PASSWORD,
            dbname=database,
            autocommit=True,
        ) as connection:
            connection.execute(statement)  # type: ignore[call-overload]

    @contextmanager
    def database(self) -> Iterator[str]:
        """The address of a database of one's own without tables, dropped afterwards."""
        name = f"test_{next(self._numbers)}"
        self.execute(f"CREATE DATABASE {name}")
        yield self.url(name)
        self.execute(f"DROP DATABASE {name} WITH (FORCE)")

    @contextmanager
    def migrated(self) -> Iterator[str]:
        """The address of the one with tables, which are emptied afterwards: ten times quicker."""
        yield self.url(MIGRATED)
        self.execute(f"TRUNCATE {', '.join(METADATA.tables)} RESTART IDENTITY", MIGRATED)


def programs() -> Path | None:
    """The folder with initdb and postgres; Debian keeps them out of PATH."""
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: p.parts[4])
    found = shutil.which("initdb") or (places[-1] if places else None)
    return Path(found).resolve().parent if found else None


@contextmanager
def cluster(bin_folder: Path) -> Iterator[Cluster]:
    """One that ends with the block; its folder is outside pytest's, which only root may enter."""
    folder = Path(tempfile.mkdtemp(prefix="buffet-postgresql-"))
    # PostgreSQL refuses to run as root.
    as_user: dict[str, Any] = {}
    if os.geteuid() == 0:
        as_user = {"user": "postgres", "group": "postgres", "extra_groups": []}
        shutil.chown(folder, "postgres", "postgres")
    try:
        server = _start(bin_folder, folder, as_user)
        try:
            yield Cluster(folder)
        finally:
            server.send_signal(signal.SIGQUIT)  # at once; nothing is kept
            server.wait(START_S)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _start(bin_folder: Path, folder: Path, as_user: dict[str, Any]) -> subprocess.Popen[bytes]:
    password = folder / "password"
    password.write_text(PASSWORD)
    data = str(folder / "data")
    subprocess.run(
        [
            *(bin_folder / "initdb", "-D", data, "-U", USER, "--pwfile", password),
            *("--auth=scram-sha-256", "--encoding=UTF8", "--locale=C", "--no-sync"),
        ],
        check=True,
        capture_output=True,
        cwd=folder,
        **as_user,
    )
    words = [word for option in OPTIONS for word in ("-c", option)]
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(
            [bin_folder / "postgres", "-D", data, "-k", folder, *words],
            stdout=log,
            stderr=log,
            cwd=folder,
            **as_user,
        )
    _await(server, folder)
    return server


def _await(server: subprocess.Popen[bytes], folder: Path) -> None:
    """Until it answers."""
    until = time.monotonic() + START_S
    while "ready" not in _status(folder):
        if server.poll() is not None or time.monotonic() > until:
            server.kill()
            raise RuntimeError((folder / "log").read_text())
        time.sleep(0.02)


def _status(folder: Path) -> str:
    """The last line of its own note of how far it is."""
    note = folder / "data" / "postmaster.pid"
    lines = note.read_text().splitlines() if note.exists() else []
    return lines[7] if len(lines) > 7 else ""


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Cluster]:
    """One for the whole process, with a migrated database to copy."""
    bin_folder = programs()
    if bin_folder is None:
        pytest.skip("PostgreSQL is not installed")
    with pytest.MonkeyPatch.context() as patch, cluster(bin_folder) as running:
        patch.setenv(PASSWORD_VARIABLE, PASSWORD)
        running.execute(f"CREATE DATABASE {MIGRATED}")
        _migrate(ServiceSettings(running.folder, running.url(MIGRATED)))
        yield running


@pytest.fixture(params=KINDS)
def empty_settings(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ServiceSettings]:
    """A folder with a database of its own without tables, of either kind."""
    if request.param == "sqlite":
        yield ServiceSettings(tmp_path)
    else:
        running: Cluster = request.getfixturevalue("postgresql")
        with running.database() as url:
            yield ServiceSettings(tmp_path, url)


@pytest.fixture(params=KINDS)
def settings(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[ServiceSettings]:
    """A folder with a migrated database, of either kind; its tables must stay as they are."""
    if request.param == "sqlite":
        yield in_a_folder(tmp_path)
    else:
        running: Cluster = request.getfixturevalue("postgresql")
        with running.migrated() as url:
            yield ServiceSettings(tmp_path, url)


def in_a_folder(tmp_path: Path) -> ServiceSettings:
    """A migrated SQLite, for tests in which the kind of database plays no part."""
    given = ServiceSettings(tmp_path)
    _migrate(given)
    return given


def _migrate(given: ServiceSettings) -> None:
    with opened(given) as engine:
        migrate(engine)


@pytest.fixture
def engine(settings: ServiceSettings) -> Iterator[Engine]:
    """A migrated database of either kind, open."""
    with opened(settings) as opened_engine:
        yield opened_engine


@contextmanager
def opened(given: ServiceSettings) -> Iterator[Engine]:
    """An engine whose connections are closed afterwards."""
    engine = open_database(given)
    try:
        yield engine
    finally:
        engine.dispose()
