"""Who is remembered, for how long, and that what was revoked is not."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import Engine, event

from buffet.service.access import identities as module
from buffet.service.access import tokens
from buffet.service.access.identities import REMEMBERED_S, Identities, Shown
from buffet.service.access.roles import Role
from buffet.service.database.engine import writing
from buffet.service.settings import ServiceSettings
from tests.buffet.service.access.asgi import LOCAL, Clock, ask, guarded
from tests.buffet.service.access.test_tokens import NOW, made
from tests.buffet.service.databases import opened


@pytest.fixture
def statements(engine: Engine) -> list[str]:
    """What the database was asked."""
    found: list[str] = []

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        found.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    return found


def test_requests_cost_next_to_nothing(engine: Engine, statements: list[str]) -> None:
    """Two minutes of one each second: a look each five, a note each minute."""
    secret, _ = made(engine)
    clock = Clock(NOW)
    guard = guarded(engine, LOCAL, clock)
    statements.clear()
    for second in range(120):
        clock.now = NOW + second
        assert ask(guard, "/", Authorization=f"Bearer {secret}").status == 200

    asked = [one for one in statements if one.startswith("SELECT tokens")]
    assert len(asked) == 120 / REMEMBERED_S
    assert sum(one.startswith("UPDATE tokens") for one in statements) == 2


def test_a_revoked_token_is_known_at_once_or_within_seconds(engine: Engine) -> None:
    """At once in the process that revoked it, else when what is remembered is over."""
    clock = Clock(NOW)
    guard = guarded(engine, LOCAL, clock)
    for is_told in (True, False):
        secret, token = made(engine)
        fields = {"Authorization": f"Bearer {secret}"}
        assert ask(guard, "/", **fields).status == 200
        with writing(engine) as connection:
            tokens.revoke(connection, token.id, NOW)
        if is_told:
            guard.identities.forget()
        else:
            assert ask(guard, "/", **fields).status == 200
            clock.now += REMEMBERED_S
        assert ask(guard, "/", **fields).status == 401


def test_nobody_is_remembered_beyond_a_tokens_end(engine: Engine) -> None:
    """To the second."""
    secret, token = made(engine)
    clock = Clock(token.expires_at - 1)
    guard = guarded(engine, LOCAL, clock)
    assert ask(guard, "/", Authorization=f"Bearer {secret}").status == 200
    clock.now += 1
    assert ask(guard, "/", Authorization=f"Bearer {secret}").status == 401


def test_what_is_revoked_while_it_is_looked_up_is_not_remembered(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The look had begun before."""
    secret, token = made(engine)
    identities = Identities(engine, lambda: NOW)
    looked, revoked = threading.Event(), threading.Event()
    found = module._found

    def slowly(*arguments: object) -> object:
        result = found(*arguments)  # type: ignore[arg-type]
        looked.set()
        assert revoked.wait(10)
        return result

    monkeypatch.setattr(module, "_found", slowly)
    shown = Shown("token", secret)
    with ThreadPoolExecutor(1) as pool:
        looking = pool.submit(identities.look_up, shown)
        assert looked.wait(10)
        with writing(engine) as connection:
            tokens.revoke(connection, token.id, NOW)
        identities.forget()
        revoked.set()
        assert looking.result() is not None
    assert identities.remembered(shown) is None


def test_only_so_many_are_remembered(engine: Engine) -> None:
    """The rest is looked up again; no secret is kept."""
    identities = Identities(engine, lambda: NOW, capacity=3)
    secrets = [made(engine, f"rig {i}")[0] for i in range(5)]
    for secret in secrets:
        assert identities.look_up(Shown("token", secret)) is not None
        assert len(identities._known) <= 3
    assert secrets[-1] not in str(identities._known)


@pytest.mark.parametrize("how", ["not there", "broken"])
def test_a_database_that_does_not_answer(
    how: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Nobody is let in, nobody is told where it stands, and the log says why."""
    if how == "not there":
        url = f"postgresql://buffet@/catalogue?host={tmp_path}"
        settings = ServiceSettings(tmp_path, url)
    else:
        settings = ServiceSettings(tmp_path)  # without tables
    with opened(settings) as engine:
        answer = ask(guarded(engine, LOCAL, Clock(NOW)), "/")
    assert answer.status == 503
    assert answer.json["kind"] == "unavailable"
    assert str(tmp_path) not in str(answer)
    assert "nobody can be let in: " in caplog.text


def test_a_token_passes_though_its_use_cannot_be_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where another's change takes long."""
    from buffet.service.database.migrate import migrate

    monkeypatch.setattr("buffet.service.database.engine.PATIENCE_S", 0.05)
    settings = ServiceSettings(tmp_path)
    with opened(settings) as engine, opened(settings) as other:
        migrate(engine)
        secret, _ = made(engine, role=Role.OWNER)
        with writing(other):
            guard = guarded(engine, LOCAL, Clock(NOW))
            assert ask(guard, "/owner", Authorization=f"Bearer {secret}").status == 200
