"""Sessions of browsers, their cookies, and forms that were made for them."""

from __future__ import annotations

import hmac
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import Engine, select

from buffet.service.access import form_tokens, sessions, tokens
from buffet.service.access.audit import entries
from buffet.service.access.errors import FormTokenError, NotSignedInError, TooManyRequestsError
from buffet.service.access.form_tokens import form_token, require_form_token, secret_of
from buffet.service.access.identities import Identities
from buffet.service.access.rate_limits import FAILURES, RateLimits
from buffet.service.access.roles import Principal, Role
from buffet.service.access.sessions import cookie_value, set_cookie
from buffet.service.access.signing_in import page_after, sign_in, sign_out
from buffet.service.database.engine import reading, writing
from buffet.service.database.tables import SESSIONS
from buffet.service.errors import FolderError
from buffet.service.settings import Places, ServiceSettings
from tests.buffet.service.access.test_tokens import NOW, made

HOUR_S = 3600.0
ADDRESS = "192.0.2.7"


@pytest.fixture
def limits() -> RateLimits:
    """Of the default settings."""
    return RateLimits.of(ServiceSettings(Path()))


def found(engine: Engine, value: str, now: float) -> tuple[tokens.Token, int] | None:
    """The token behind a cookie."""
    with reading(engine) as connection:
        return sessions.find(connection, value, now)


def test_a_session_is_its_tokens(engine: Engine, limits: RateLimits) -> None:
    """For twelve hours; the cookie's value is kept nowhere."""
    secret, token = made(engine, role=Role.ENGINEER)
    session = sign_in(engine, limits, f" {secret}\n", ADDRESS, NOW)
    again = found(engine, session.value, NOW + 12 * HOUR_S - 1)

    assert session.principal == Principal("rig", Role.ENGINEER, token.id, 1)
    assert again is not None
    assert again[0].id == token.id
    assert found(engine, session.value, NOW + 12 * HOUR_S) is None
    assert found(engine, session.value[:-1], NOW) is None
    assert found(engine, "", NOW) is None
    with reading(engine) as connection:
        row = connection.execute(select(SESSIONS)).one()
    assert session.value not in map(str, row)


def test_a_session_ends_with_its_token(engine: Engine, limits: RateLimits) -> None:
    """By time, as the cookie knows too, and by hand."""
    with writing(engine) as connection:
        secret, _ = tokens.make(connection, "short", Role.READER, NOW, HOUR_S)
    assert sign_in(engine, limits, secret, ADDRESS, NOW).expires_at == NOW + HOUR_S

    secret, token = made(engine)
    value = sign_in(engine, limits, secret, ADDRESS, NOW).value
    with writing(engine) as connection:
        tokens.revoke(connection, token.id, NOW)
    assert found(engine, value, NOW) is None


def test_signing_out_ends_one_session(engine: Engine, limits: RateLimits) -> None:
    """At once, and no other of the same token; the log has all of it, without the token."""
    secret, _ = made(engine)
    first, second = (sign_in(engine, limits, secret, ADDRESS, NOW) for _ in range(2))
    identities = Identities(engine, lambda: NOW)
    sign_out(engine, identities, first.principal, ADDRESS, NOW)

    assert found(engine, first.value, NOW) is None
    assert found(engine, second.value, NOW) is not None
    with reading(engine) as connection:
        log = entries(connection)
    assert [one.action for one in log] == ["sign out", "sign in", "sign in"]
    assert {one.address for one in log} == {ADDRESS}
    assert secret not in str(log)
    sign_out(engine, identities, Principal("rig", Role.READER, 1), ADDRESS, NOW)
    with reading(engine) as connection:
        assert len(entries(connection)) == len(log)


def test_sessions_that_ended_are_forgotten(engine: Engine, limits: RateLimits) -> None:
    """With the next that begins."""
    secret, _ = made(engine)
    sign_in(engine, limits, secret, ADDRESS, NOW)
    sign_in(engine, limits, secret, ADDRESS, NOW + 13 * HOUR_S)
    with reading(engine) as connection:
        assert len(connection.execute(select(SESSIONS)).all()) == 1


def test_failed_sign_ins_are_limited_and_others_are_not(engine: Engine, limits: RateLimits) -> None:
    """By address; who holds a token that lives gets in from there all the same."""
    secret, _ = made(engine)
    wrong = tokens.PREFIX + "a" * 43
    for _ in range(FAILURES):
        with pytest.raises(NotSignedInError, match="opens nothing"):
            sign_in(engine, limits, wrong, ADDRESS, NOW)
    with pytest.raises(TooManyRequestsError, match="failed sign-ins; try again in 60 s"):
        sign_in(engine, limits, wrong, ADDRESS, NOW)
    with pytest.raises(NotSignedInError):
        sign_in(engine, limits, wrong, "192.0.2.8", NOW)

    assert sign_in(engine, limits, secret, ADDRESS, NOW).principal.name == "rig"


@pytest.mark.parametrize("is_encrypted", [False, True], ids=["plain", "TLS"])
def test_a_cookie_is_for_this_host_alone(*, is_encrypted: bool) -> None:
    """No script reads it, no other page sends it, and under TLS nothing else does."""
    header = set_cookie(sessions.NAME, "v4lue", 60.9, is_encrypted=is_encrypted)
    pair, *attributes = header.split("; ")
    name = "__Host-buffet_session" if is_encrypted else "buffet_session"

    assert pair == f"{name}=v4lue"
    assert {"Path=/", "HttpOnly", "SameSite=Strict", "Max-Age=60"} <= set(attributes)
    assert ("Secure" in attributes) == is_encrypted
    assert not any(one.startswith("Domain") for one in attributes)
    sent = f'other={{"a":1}}; {pair}; odd;=x'
    assert cookie_value(sent, sessions.NAME, is_encrypted=is_encrypted) == "v4lue"
    assert cookie_value(sent, sessions.NAME, is_encrypted=not is_encrypted) is None


@pytest.mark.parametrize("header", ["", "buffet_session", "buffet_session=", "xbuffet_session=a"])
def test_cookies_that_are_none(header: str) -> None:
    """Nothing is made of them."""
    assert cookie_value(header, sessions.NAME, is_encrypted=False) is None


@pytest.mark.parametrize(
    ("given", "page"),
    [
        ("/campaigns/3?speed=130", "/campaigns/3?speed=130"),
        (None, "/"),
        ("", "/"),
        ("campaigns", "/"),
        ("//elsewhere.example", "/"),
        ("/\\elsewhere.example", "/"),
        ("https://elsewhere.example", "/"),
        ("javascript:alert(1)", "/"),
        ("/\r\nSet-Cookie: a=b", "/"),
        ("/\t/elsewhere.example", "/"),
    ],
)
def test_the_page_after_signing_in_is_ours(given: str | None, page: str) -> None:
    """No address leads elsewhere by way of the sign-in."""
    assert page_after(given) == page


def test_a_form_token_is_of_one_browser_and_one_service() -> None:
    """HMAC-SHA-256 (RFC 2104) by the standard library's one-shot function."""
    secret, other = b"s" * 32, b"t" * 32
    token = form_token(secret, "browser")
    require_form_token(token, token)
    require_form_token(None, None)

    assert token == hmac.digest(secret, b"form\0browser", "sha256").hex()
    others = (form_token(secret, "another"), form_token(other, "browser"))
    for given in (*others, token[:-1], token.upper(), "", "é", None):
        with pytest.raises(FormTokenError, match="load the page again"):
            require_form_token(token, given)


def test_the_secret_is_made_once_and_kept_private(tmp_path: Path) -> None:
    """32 bytes for its user alone, whoever comes first; another folder has another."""
    places = Places(tmp_path)
    with ThreadPoolExecutor(8) as pool:
        found = {one.result() for one in [pool.submit(secret_of, places) for _ in range(8)]}
    (tmp_path / "other").mkdir()

    assert len(found) == 1
    assert len(found.pop()) == 32
    assert stat.S_IMODE(places.secret.stat().st_mode) == 0o600
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == ["secret"]
    assert secret_of(Places(tmp_path / "other")) != secret_of(places)


@pytest.mark.parametrize(
    ("content", "mode", "told"),
    [
        (b"a" * 32, 0o640, r"secret: others may read it \(mode 640\): delete it"),
        (b"a" * 31, 0o600, "secret: has 31 bytes, wanted 32: delete it"),
        (b"", 0o600, "secret: has 0 bytes"),
    ],
)
def test_secrets_that_are_none(content: bytes, mode: int, told: str, tmp_path: Path) -> None:
    """Refused with what to do."""
    path = Places(tmp_path).secret
    path.write_bytes(content)
    path.chmod(mode)
    with pytest.raises(FolderError, match=told):
        secret_of(Places(tmp_path))


def test_a_secret_that_cannot_be_written(tmp_path: Path) -> None:
    """Is one message."""
    with pytest.raises(FolderError, match="nowhere/secret: No such file"):
        form_tokens.secret_of(Places(tmp_path / "nowhere"))
