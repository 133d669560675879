"""Tokens: shown once, kept as a hash, ended by time or by hand; roles in their order."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import Engine, select

from buffet.service.access import tokens
from buffet.service.access.errors import ForbiddenError, NotSignedInError, TokenError
from buffet.service.access.roles import LOCAL, WORDS, Principal, Role, require
from buffet.service.access.tokens import DAY_S, Token, authenticate, listed, make, revoke
from buffet.service.database.engine import reading, writing
from buffet.service.database.tables import TOKENS
from buffet.service.errors import ConflictError, NotFoundError

NOW = 1_800_000_000.0
RACERS = 8


def made(engine: Engine, name: str = "rig", role: Role = Role.READER) -> tuple[str, Token]:
    """One of 90 days."""
    with writing(engine) as connection:
        return make(connection, name, role, NOW)


def opens(engine: Engine, secret: str, now: float = NOW) -> Token | None:
    """The token that a secret is."""
    with reading(engine) as connection:
        return authenticate(connection, secret, now)


def test_a_token_opens_and_is_not_kept(engine: Engine) -> None:
    """No column holds it, nor any part that would do."""
    secret, token = made(engine)
    with reading(engine) as connection:
        row = connection.execute(select(TOKENS)).one()

    assert opens(engine, secret) == token
    assert token.expires_at == NOW + 90 * DAY_S
    assert not any(secret[4:20] in str(value) for value in row)


def test_tokens_are_long_and_differ(engine: Engine) -> None:
    """256 bits are 43 signs of six bits; no two of many share even their first eight."""
    secrets = [made(engine, f"rig {i}")[0] for i in range(50)]

    assert all(secret.startswith("bft_") and len(secret) == 4 + 43 for secret in secrets)
    assert len({secret[4:12] for secret in secrets}) == len(secrets)


def test_what_is_not_the_token_opens_nothing(engine: Engine) -> None:
    """A sign less or more, its hash, or something else altogether."""
    secret, _ = made(engine)
    others = (
        *("", "bft_", secret[:-1], secret + "a", secret[4:], secret.upper(), f" {secret}"),
        secret[:-1] + ("A" if secret[-1] != "A" else "B"),
        *("bft_" + "é" * 43, "bft_" + "\udc80" * 43, tokens.digest(secret), "' OR 1=1 --"),
    )
    for other in others:
        assert opens(engine, other) is None, other


def test_tokens_end_by_time_and_by_hand(engine: Engine) -> None:
    """At the very second; a second revoking changes nothing."""
    secret, token = made(engine)
    assert opens(engine, secret, token.expires_at - 1) is not None
    assert opens(engine, secret, token.expires_at) is None

    with writing(engine) as connection:
        assert revoke(connection, token.id, NOW + 5).revoked_at == NOW + 5
        assert revoke(connection, token.id, NOW + 9).revoked_at == NOW + 5
    assert opens(engine, secret) is None
    with writing(engine) as connection, pytest.raises(NotFoundError, match="no token 77"):
        revoke(connection, 77, NOW)


@pytest.mark.parametrize("is_ended", [False, True], ids=["living", "ended"])
@pytest.mark.parametrize("how", ["expired", "revoked"])
def test_a_name_is_free_again_once_its_token_ended(
    how: str, engine: Engine, *, is_ended: bool
) -> None:
    """One living token a name; the transaction goes on after the refusal."""
    _, token = made(engine)
    now = token.expires_at if how == "expired" and is_ended else NOW
    with writing(engine) as connection:
        if how == "revoked" and is_ended:
            revoke(connection, token.id, NOW)
        if is_ended:
            make(connection, "rig", Role.READER, now)
        else:
            with pytest.raises(ConflictError, match="'rig' lives: revoke it first"):
                make(connection, "rig", Role.READER, now)
        make(connection, "another", Role.READER, now)

    with reading(engine) as connection:
        found = listed(connection)
    assert [one.name for one in found if one.lives(now)].count("rig") == 1
    assert found[-1].state(now) == (how if is_ended else "living")


def test_of_many_who_want_a_name_one_gets_it(engine: Engine) -> None:
    """Held by the database itself, whatever each saw before."""
    start = threading.Barrier(RACERS)

    def race() -> bool:
        start.wait()
        try:
            made(engine)
        except ConflictError:
            return False
        return True

    with ThreadPoolExecutor(RACERS) as pool:
        won = [done.result() for done in [pool.submit(race) for _ in range(RACERS)]]
    assert won.count(True) == 1


def test_names_and_lifetimes_that_cannot_be(engine: Engine) -> None:
    """Each with what is wanted; none lives for ever."""
    names = {
        "": "wanted 1 to 100 characters",
        "   ": "wanted 1 to 100 characters",
        "a\nb": "that can be printed",
        "a" * 101: "wanted 1 to 100 characters",
        "bft_" + "a" * 43: "the name holds a token",
    }
    for name, told in names.items():
        with pytest.raises(TokenError, match=told):
            made(engine, name)
    for days in (0.0, -1.0, 367.0, float("nan"), float("inf")):
        with writing(engine) as connection, pytest.raises(TokenError, match="at most 366"):
            make(connection, "rig", Role.READER, NOW, days * DAY_S)


def test_use_is_noted_once_a_minute(engine: Engine) -> None:
    """Not with each request."""
    secret, token = made(engine)
    assert token.is_to_be_noted(NOW)
    with writing(engine) as connection:
        tokens.note_use(connection, token.id, NOW)
    used = opens(engine, secret)

    assert used is not None
    assert not used.is_to_be_noted(NOW + 59)
    assert used.is_to_be_noted(NOW + 60)


def test_owners_are_told_from_others(engine: Engine) -> None:
    """As long as one lives; that a token was made is known for ever."""

    def has(now: float) -> tuple[bool, bool]:
        with reading(engine) as connection:
            return tokens.were_made(connection), tokens.has_owner(connection, now)

    assert has(NOW) == (False, False)
    made(engine, "e", Role.ENGINEER)
    assert has(NOW) == (True, False)
    _, token = made(engine, "o", Role.OWNER)
    assert has(NOW) == (True, True)
    assert has(token.expires_at) == (True, False)


def test_no_token_can_be_read_in_a_text_made_safe() -> None:
    """Wherever it stands."""
    secret = "bft_" + "aB3-_" * 8 + "xyz"
    assert tokens.without_tokens(f"({secret}, {secret})") == "(bft_…, bft_…)"


@pytest.mark.parametrize("own", Role)
@pytest.mark.parametrize("wanted", Role)
def test_each_role_may_what_the_one_before_may(own: Role, wanted: Role) -> None:
    """Reader, engineer, owner."""
    may = WORDS.index(own.word) >= WORDS.index(wanted.word)
    principal = Principal("somebody", own)
    if may:
        assert require(principal, wanted) is principal
    else:
        with pytest.raises(ForbiddenError, match=f"needs the role {wanted.word}, and somebody"):
            require(principal, wanted)


def test_nobody_may_nothing() -> None:
    """And is told how to show who they are."""
    with pytest.raises(NotSignedInError, match="Authorization: Bearer") as caught:
        require(None, Role.READER)
    assert caught.value.headers == {"WWW-Authenticate": 'Bearer realm="buffet"'}
    assert require(LOCAL, Role.OWNER) is LOCAL
    assert WORDS == ("reader", "engineer", "owner")
