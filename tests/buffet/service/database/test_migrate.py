"""Steps from nothing to the tables: exactly these, once, and nothing lost on the way."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, Engine, create_engine, func, insert, inspect, select, text

from buffet.service.database import migrate as module
from buffet.service.database.engine import reading, writing
from buffet.service.database.migrate import migrate
from buffet.service.database.tables import CAMPAIGNS, FILES, METADATA
from buffet.service.errors import FolderError
from buffet.service.settings import ServiceSettings
from tests.buffet.service.databases import opened

SERVERS = 4
# Writes `campaigns` anew in SQLite, which drops the table that `files` refers to.
NEXT_STEP = """
from alembic import op
import sqlalchemy as sa

revision, down_revision = "next", "0001"


def upgrade():
    with op.batch_alter_table("campaigns") as campaigns:
        campaigns.alter_column("title", nullable=True)
        campaigns.add_column(sa.Column("remark", sa.Text(), server_default="none"))
    {more}
"""


def names_of(connection: Connection) -> set[tuple[str, str | None]]:
    """Names of all constraints and indexes, by table; later steps find them by these."""
    found = inspect(connection)
    tables = METADATA.tables
    return {
        (table, one["name"])
        for table in tables
        for one in (
            found.get_pk_constraint(table),
            *found.get_foreign_keys(table),
            *found.get_unique_constraints(table),
            *found.get_indexes(table),
        )
    }


def add_campaign(connection: Connection) -> None:
    """With one file."""
    number = connection.execute(
        insert(CAMPAIGNS)
        .values(
            title="spoilers",
            configurations=["bare"],
            manifest_sha256="0" * 64,
            revision=1,
            waiting=[],
            created_at=1.0,
            changed_at=1.0,
            created_by="local",
        )
        .returning(CAMPAIGNS.c.id)
    ).scalar_one()
    file = {"name": "a", "sha256": "0" * 64, "size": 2**40, "added_at": 1.0}
    connection.execute(insert(FILES).values(campaign_id=number, **file))


@pytest.fixture
def engine(empty_settings: ServiceSettings) -> Iterator[Engine]:
    """A migrated database of its own, whose tables may be changed."""
    with opened(empty_settings) as opened_engine:
        migrate(opened_engine)
        yield opened_engine


@pytest.fixture
def with_a_next_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A later version of the program: the file of its further step, to be written by the test."""
    steps = tmp_path / "steps 100 %"
    shutil.copytree(module._STEPS, steps)
    monkeypatch.setattr(module, "_STEPS", steps)
    return steps / "versions" / "next.py"


def test_steps_give_exactly_the_tables(empty_settings: ServiceSettings) -> None:
    """No column, index, type or reference more or less, by the names of the convention."""
    with opened(empty_settings) as engine:
        migrate(engine)
        with reading(engine) as connection:
            context = MigrationContext.configure(connection, opts={"compare_type": True})
            assert compare_metadata(context, METADATA) == []
            migrated = names_of(connection)
        with writing(engine) as connection:
            METADATA.drop_all(connection)
            METADATA.create_all(connection)
            assert names_of(connection) == migrated


def test_sqlite_never_gives_a_number_twice(tmp_path: Path) -> None:
    """An address of something deleted for good does not come to mean another."""
    plain = create_engine("sqlite://")
    METADATA.create_all(plain)
    like_this = text("SELECT name FROM sqlite_master WHERE sql LIKE '%AUTOINCREMENT%'")
    with opened(ServiceSettings(tmp_path)) as engine:
        migrate(engine)
        with reading(engine) as connection, plain.connect() as wanted:
            found = set(connection.execute(like_this).scalars())
            assert found == set(wanted.execute(like_this).scalars())
            assert "campaigns" in found
    plain.dispose()


def test_a_second_time_does_nothing(engine: Engine) -> None:
    """What is there stays, and no step is taken."""
    with writing(engine) as connection:
        add_campaign(connection)
    migrate(engine)

    with reading(engine) as connection:
        assert connection.execute(select(func.count()).select_from(FILES)).scalar_one() == 1


def test_servers_that_start_at_once(empty_settings: ServiceSettings) -> None:
    """One takes the steps, the others wait for it and find them taken."""
    start = threading.Barrier(SERVERS)

    def serve() -> None:
        with opened(empty_settings) as engine:
            start.wait()
            migrate(engine)

    with ThreadPoolExecutor(SERVERS) as pool:
        for done in [pool.submit(serve) for _ in range(SERVERS)]:
            done.result()

    with opened(empty_settings) as engine, reading(engine) as connection:
        assert MigrationContext.configure(connection).get_current_heads() == ("0001",)


def test_an_update_keeps_what_is_there(engine: Engine, with_a_next_step: Path) -> None:
    """Rows that refer to a table written anew, too."""
    with writing(engine) as connection:
        add_campaign(connection)
    with_a_next_step.write_text(NEXT_STEP.format(more=""))
    migrate(engine)

    with reading(engine) as connection:
        row = connection.execute(text("SELECT title, remark FROM campaigns")).one()
        assert tuple(row) == ("spoilers", "none")
        file = connection.execute(select(FILES.c.size, FILES.c.campaign_id)).one()
        assert tuple(file) == (2**40, 1)


@pytest.mark.parametrize(
    ("more", "error"),
    [
        ("raise KeyError", KeyError),
        ('op.execute("UPDATE files SET campaign_id = 77")', Exception),
    ],
    ids=["an error", "a broken reference"],
)
def test_an_update_that_fails_changes_nothing(
    more: str, error: type[Exception], engine: Engine, with_a_next_step: Path
) -> None:
    """Neither half of its step is left, in either database."""
    with writing(engine) as connection:
        add_campaign(connection)
    with_a_next_step.write_text(NEXT_STEP.format(more=more))
    with pytest.raises(error):
        migrate(engine)

    with reading(engine) as connection:
        assert MigrationContext.configure(connection).get_current_heads() == ("0001",)
        assert "remark" not in {one["name"] for one in inspect(connection).get_columns("campaigns")}
        assert connection.execute(select(FILES.c.campaign_id)).scalar_one() == 1


def test_a_database_of_a_newer_version(engine: Engine) -> None:
    """Is refused with what to do, and left as it is."""
    with writing(engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0999'"))
    with pytest.raises(FolderError, match=r"newer version of buffet \(step 0999; this"):
        migrate(engine)

    with reading(engine) as connection:
        assert MigrationContext.configure(connection).get_current_heads() == ("0999",)
