"""The catalogue brought to the form that this version of the program knows."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text

from buffet.service.database.engine import address, migrating
from buffet.service.errors import FolderError

_STEPS = Path(__file__).parent / "migrations"
# Any number, as long as nothing else in the database takes it for a lock of its own.
_LOCK = 0x62756666


def migrate(engine: Engine) -> None:
    """Take all steps that the database lacks, all or none; of several servers one does it.

    Raises
    ------
    FolderError
        The database cannot be reached, or a newer version of the program made it.
    """
    with migrating(engine) as connection:
        _lock(connection)
        if not _is_newest(connection, ScriptDirectory.from_config(_config())):
            upgrade(connection)


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Take the steps up to a revision, within a transaction of `migrating`.

    Raises
    ------
    FolderError
        They would break what is there.
    """
    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, revision)
    require_sound(connection)


def revision_of(connection: Connection) -> str | None:
    """The last step that a database has taken; None where it has taken none."""
    return MigrationContext.configure(connection).get_current_revision()


def known_revisions() -> frozenset[str]:
    """All steps that this version of the program knows."""
    return frozenset(
        step.revision for step in ScriptDirectory.from_config(_config()).walk_revisions()
    )


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_STEPS).replace("%", "%%"))
    return config


def _lock(connection: Connection) -> None:
    """Until the transaction ends; BEGIN IMMEDIATE was one in SQLite."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})


def _is_newest(connection: Connection, steps: ScriptDirectory) -> bool:
    present = set(MigrationContext.configure(connection).get_current_heads())
    unknown = present - {step.revision for step in steps.walk_revisions()}
    if unknown:
        raise FolderError(
            f"the database {address(connection.engine.url)} was made by a newer version of buffet "
            f"(step {', '.join(sorted(unknown))}; this version knows {steps.get_current_head()}): "
            "update buffet here, or give it another folder or database"
        )
    return present == set(steps.get_heads())


def require_sound(connection: Connection) -> None:
    """Steps run without SQLite's checks of foreign keys: made up for here."""
    if connection.dialect.name == "sqlite":
        broken = connection.execute(text("PRAGMA foreign_key_check")).all()
        if broken:
            raise FolderError(
                f"the database {address(connection.engine.url)} was left as it was: the update "
                f"would break {len(broken)} references, the first in table {broken[0][0]}"
            )
