"""The group `token`: who may use a service."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from buffet.commands.running import needs_service, say, told
from buffet.options import JSON, Quantity

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from buffet.service.access.tokens import Token

Command = TypeVar("Command", bound=Callable[..., Any])

FOLDER = click.argument("folder", type=click.Path(path_type=Path))
DATABASE = click.option(
    "--database",
    metavar="URL",
    help="The service's PostgreSQL, as `buffet serve` was told; SQLite in the folder.",
)
NAME = click.option("--name", required=True, metavar="NAME", help="Who or what it is for.")
ROLES = ("reader", "engineer", "owner")  # of `service.access.roles`, which takes its time to load
AT = "command line"  # in the audit log, in place of an address


@click.group()
def token() -> None:
    """Tokens of a service: who may use it, and for what.

    A reader looks and downloads, an engineer uploads and analyses too, an owner deletes for good
    and gives tokens. All of it works while the service runs.
    """


@token.command("create")
@FOLDER
@NAME
@click.option(
    "--role", type=click.Choice(ROLES), required=True, help="What it is good for; see above."
)
@click.option(
    "--expires",
    type=Quantity("time", "90 days", highest="366 days"),
    default="90 days",
    show_default=True,
    metavar="TIME",
    help="From now on.",
)
@DATABASE
@told
@needs_service
def create(folder: Path, name: str, role: str, expires: float, database: str | None) -> None:
    """Make a token and print it, once and for all."""
    from buffet.service.access.roles import Role
    from buffet.service.access.startup import private_folder
    from buffet.service.access.tokens import make
    from buffet.service.database.engine import writing

    if remark := private_folder(folder):
        click.echo(remark, err=True)
    now = _now()
    with _catalogue(folder, database) as engine, writing(engine) as connection:
        secret, made = make(connection, name, Role.of(role), now, expires)
        _record(connection, "create token", made, now)
    say(secret)
    until = datetime.fromtimestamp(made.expires_at, UTC).strftime("%Y-%m-%d %H:%M UTC")
    click.echo(f"{made.name!r}, {made.role.word} until {until}; it is not shown again", err=True)


@token.command("list")
@FOLDER
@JSON
@DATABASE
@told
@needs_service
def list_tokens(folder: Path, as_json: bool, database: str | None) -> None:
    """All tokens that were ever made, the newest first."""
    from buffet.documents import dumps
    from buffet.service.access.tokens import listed
    from buffet.service.access.tokens_document import tokens_document
    from buffet.service.access.tokens_text import tokens_text
    from buffet.service.database.engine import reading

    _require_catalogue(folder, database)
    with _catalogue(folder, database) as engine, reading(engine) as connection:
        found, now = listed(connection), _now()
    say(dumps(tokens_document(found, now)) if as_json else tokens_text(found, now))


@token.command("revoke")
@FOLDER
@NAME
@DATABASE
@told
@needs_service
def revoke_token(folder: Path, name: str, database: str | None) -> None:
    """End a token, and the browsers' sessions begun with it."""
    from buffet.service.access.tokens import named, revoke
    from buffet.service.database.engine import writing

    _require_catalogue(folder, database)
    now = _now()
    with _catalogue(folder, database) as engine, writing(engine) as connection:
        ended = revoke(connection, named(connection, name, now).id, now)
        _record(connection, "revoke token", ended, now)
    click.echo(f"revoked {name!r}; a running service knows within seconds", err=True)


def _now() -> float:
    return datetime.now(UTC).timestamp()


def _require_catalogue(folder: Path, database: str | None) -> None:
    """A folder named by mistake gets none."""
    from buffet.service.errors import FolderError
    from buffet.service.settings import Places

    if database is None and not Places(folder).database.exists():
        raise FolderError(
            f"{folder}: holds no service's catalogue; name the folder of `buffet serve`, or "
            "--database where its catalogue is PostgreSQL"
        )


@contextmanager
def _catalogue(folder: Path, database: str | None) -> Iterator[Engine]:
    """Opened as the service would, its tables made or brought up to date."""
    from buffet.service.database.engine import open_database
    from buffet.service.database.migrate import migrate
    from buffet.service.settings import ServiceSettings

    engine = open_database(ServiceSettings(folder, database))
    try:
        migrate(engine)
        yield engine
    finally:
        engine.dispose()


def _record(connection: Any, action: str, token: Token, now: float) -> None:
    from buffet.service.access.audit import record
    from buffet.service.access.roles import Principal, Role

    details = {"name": token.name, "role": token.role.word, "expires_at": token.expires_at}
    by = Principal(_user(), Role.OWNER)
    record(connection, by, AT, action, f"token {token.id}", details, now)


def _user() -> str:
    from getpass import getuser

    try:
        return getuser()
    except (KeyError, OSError):  # a container's user without a name
        return f"user {os.getuid()}"
