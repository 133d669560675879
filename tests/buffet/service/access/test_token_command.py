"""`buffet token`: the secret alone on stdout, once; all of it beside a running service."""

from __future__ import annotations

import json
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from sqlalchemy import Engine

from buffet.cli import main
from buffet.commands.tokens import ROLES
from buffet.service.access.audit import entries
from buffet.service.access.roles import WORDS
from buffet.service.access.tokens import DAY_S, SHAPE, listed
from buffet.service.database.engine import reading, writing
from buffet.service.settings import Places, ServiceSettings
from tests.buffet.campaigns import run_buffet
from tests.buffet.service.access.test_tokens import opens
from tests.buffet.service.databases import opened


def token(settings: ServiceSettings, command: str, *more: object) -> Result:
    """The command on a service's folder and database."""
    url = settings.database_url
    database = () if url is None else ("--database", url)
    return run_buffet("token", command, settings.folder, *database, *more)


def create(settings: ServiceSettings, name: str, role: str = "reader", *more: object) -> Result:
    """A token."""
    return token(settings, "create", "--name", name, "--role", role, *more)


def test_a_token_from_first_to_last(settings: ServiceSettings, engine: Engine) -> None:
    """Made, listed, used and revoked while the service has its database open; all of it logged."""
    done = create(settings, "wind tunnel", "engineer", "--expires", "30 days")
    secret = done.stdout.strip()
    with reading(engine) as connection:
        (known,) = listed(connection)
    used = opens(engine, secret, known.created_at + 1)
    rows = json.loads(token(settings, "list", "--json").stdout)["tokens"]
    text = token(settings, "list").stdout
    ended = token(settings, "revoke", "--name", "wind tunnel")

    assert SHAPE.fullmatch(secret)
    assert "not shown again" in done.stderr
    assert secret not in done.stderr + text + json.dumps(rows)
    assert used is not None
    assert (used.name, used.role.word) == ("wind tunnel", "engineer")
    assert known.expires_at - known.created_at == pytest.approx(30 * DAY_S)
    assert [(row["name"], row["state"], row["used_at"]) for row in rows] == [
        ("wind tunnel", "living", None)
    ]
    assert "wind tunnel  engineer  living" in text
    assert ended.exit_code == 0, ended.stderr
    assert opens(engine, secret, known.created_at + 1) is None
    with reading(engine) as connection:
        log = entries(connection)
    assert [one.action for one in log] == ["revoke token", "create token"]
    assert log[0].address == "command line"
    assert secret not in str(log)


def test_a_first_token_comes_before_the_first_start(tmp_path: Path) -> None:
    """In a folder of its own, which it makes for its user alone."""
    places = Places(tmp_path / "service")
    done = create(ServiceSettings(places.folder), "me", "owner")

    assert done.exit_code == 0, done.stderr
    assert stat.S_IMODE(places.folder.stat().st_mode) == 0o700
    assert stat.S_IMODE(places.database.stat().st_mode) == 0o600
    places.folder.chmod(0o755)
    assert "chmod 700" in create(ServiceSettings(places.folder), "you").stderr


def test_it_works_while_the_service_writes(tmp_path: Path) -> None:
    """Waits for its turn."""
    settings = ServiceSettings(tmp_path)
    assert create(settings, "first").exit_code == 0
    words = ["token", "create", str(tmp_path), "--name", "second", "--role", "reader"]
    with opened(settings) as engine:
        with writing(engine):
            running = subprocess.Popen(
                [sys.executable, "-m", "buffet", *words], stdout=subprocess.PIPE
            )
            with pytest.raises(subprocess.TimeoutExpired):
                running.wait(1.5)
        out, _ = running.communicate(timeout=30)
    assert running.returncode == 0
    assert SHAPE.fullmatch(out.decode().strip())


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("create", "--name", "me", "--role", "reader"), 1, "'me' lives: revoke it first"),
        (("create", "--name", "", "--role", "reader"), 1, "wanted 1 to 100 characters"),
        (("create", "--name", "a", "--role", "admin"), 2, "'reader', 'engineer', 'owner'"),
        (("create", "--name", "a", "--role", "reader", "--expires", "2 years"), 2, "366 days"),
        (("create", "--name", "a", "--role", "reader", "--expires", "90"), 2, "with its unit"),
        (("revoke", "--name", "you"), 1, "no token named 'you' lives; living: 'me'"),
        (("list", "--database", "mysql://a/b"), 1, "no database that serves here"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_what_cannot_be_done(words: tuple[str, ...], code: int, told: str, tmp_path: Path) -> None:
    """One message, and nothing on stdout."""
    settings = ServiceSettings(tmp_path)
    create(settings, "me")
    done = token(settings, *words)

    assert (done.exit_code, done.stdout) == (code, "")
    assert told in " ".join(done.stderr.split())


@pytest.mark.parametrize("command", ["list", "revoke"])
def test_a_folder_named_by_mistake_gets_no_catalogue(command: str, tmp_path: Path) -> None:
    """Where none stands, none is made."""
    more = ("--name", "me") if command == "revoke" else ()
    done = token(ServiceSettings(tmp_path), command, *more)
    assert done.exit_code == 1
    assert "holds no service's catalogue" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_no_token_yet_is_said(settings: ServiceSettings) -> None:
    """And what that means."""
    assert "whoever connects is the owner" in token(settings, "list").stdout


def test_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message says what to install."""
    for name in [name for name in sys.modules if name.startswith("buffet.service.database")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delitem(sys.modules, "buffet.service.access.startup", raising=False)
    monkeypatch.setitem(sys.modules, "sqlalchemy", None)
    done = create(ServiceSettings(tmp_path / "service"), "me")
    assert done.exit_code == 1
    assert 'pip install "buffeting[service]"' in done.stderr


def test_help_loads_no_database() -> None:
    """Its words are written out, and are those of the roles."""
    code = (
        "import sys; from buffet.cli import main; main(['token', 'create', '--help'], "
        "standalone_mode=False); print([m for m in sys.modules if m.startswith("
        "('sqlalchemy', 'alembic', 'buffet.service', 'anyio', 'pint'))])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    commands: dict[str, Any] = main.commands["token"].commands  # type: ignore[attr-defined]

    assert done.stdout.splitlines()[-1] == "[]"
    assert ROLES == WORDS
    assert all(len(one.get_short_help_str(80)) < 60 for one in commands.values())
