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
    config = Config()
    config.set_main_option("script_location", str(_STEPS).replace("%", "%%"))
    steps = ScriptDirectory.from_config(config)
    with migrating(engine) as connection:
        _lock(connection)
        if _is_newest(connection, steps):
            return
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        _require_sound(connection)


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


def _require_sound(connection: Connection) -> None:
    """Steps run without SQLite's checks of foreign keys: made up for here."""
    if connection.dialect.name == "sqlite":
        broken = connection.execute(text("PRAGMA foreign_key_check")).all()
        if broken:
            raise FolderError(
                f"the database {address(connection.engine.url)} was left as it was: the update "
                f"would break {len(broken)} references, the first in table {broken[0][0]}"
            )
