"""The door: who gets in, with what, from where; what every answer's head says."""

from __future__ import annotations

from collections.abc import MutableMapping
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import anyio
import pytest
from sqlalchemy import Engine

from buffet.service.access.form_tokens import form_token
from buffet.service.access.guard import Guard, Receive, Scope, Send
from buffet.service.access.rate_limits import FAILURES
from buffet.service.access.roles import Role
from buffet.service.access.sessions import cookie_value
from buffet.service.access.signing_in import sign_in
from buffet.service.settings import ServiceSettings
from tests.buffet.service.access.asgi import (
    BEHIND,
    LOCAL,
    OUTSIDE,
    SECRET,
    Answer,
    Clock,
    application,
    ask,
    guarded,
)
from tests.buffet.service.access.test_tokens import NOW, made
from tests.buffet.service.databases import in_a_folder, opened

ROLES = {"/": Role.READER, "/engineer": Role.ENGINEER, "/owner": Role.OWNER}
PAGE = "text/html,application/xhtml+xml"
WRONG = "bft_" + "a" * 43


@pytest.fixture
def settings(tmp_path: Path) -> ServiceSettings:
    """The guard asks `identities`, which its own tests hold in both databases."""
    return in_a_folder(tmp_path)


def cookie_of(guard: Guard, engine: Engine, secret: str) -> str:
    """A `Cookie` field of a browser that signed in."""
    name = ("__Host-" if guard.settings.is_encrypted else "") + "buffet_session"
    return f"{name}={sign_in(engine, guard.limits, secret, '192.0.2.77', NOW).value}"


def require_problem(answer: Answer, status: int, kind: str) -> None:
    """RFC 9457: a media type, title and status of HTTP, a text; nobody else's page reads it."""
    assert answer.status == status
    assert answer.field("content-type") == "application/problem+json"
    assert answer.field("content-length") == str(len(answer.body))
    assert answer.json["kind"] == kind
    assert answer.json["status"] == status
    assert set(answer.json) == {"type", "title", "status", "detail", "kind"}


def test_each_role_reaches_what_it_may(engine: Engine) -> None:
    """By token or by a browser's session, on this machine and from outside."""
    secrets = {role: made(engine, role.word, role)[0] for role in Role}
    for settings, role, (path, wanted) in product((LOCAL, OUTSIDE), Role, ROLES.items()):
        guard = guarded(engine, settings, Clock(NOW))
        status = 200 if role >= wanted else 403
        by_token = ask(guard, path, Authorization=f"Bearer {secrets[role]}")
        by_cookie = ask(guard, path, Cookie=cookie_of(guard, engine, secrets[role]))

        assert (by_token.status, by_cookie.status) == (status, status)
        if status == 200:
            assert by_token.json["principal"] == by_cookie.json["principal"] == role.word
            assert by_token.json["address"] == by_token.json["client"] == "192.0.2.77"
        else:
            assert by_token.json["kind"] == "forbidden"


@pytest.mark.parametrize("shown", ["token", "cookie"])
@pytest.mark.parametrize("placed", [LOCAL, OUTSIDE], ids=["local", "TLS"])
def test_where_changes_come_from(placed: ServiceSettings, shown: str, engine: Engine) -> None:
    """Host, origin and credentials together: all must be right, and wrong ones are named."""
    secret, _ = made(engine, role=Role.OWNER)
    guard = guarded(engine, placed, Clock(NOW))
    fields = (
        {"Authorization": f"bearer {secret}"}
        if shown == "token"
        else {"Cookie": cookie_of(guard, engine, secret)}
    )
    own = min(guard.hosts.hosts)
    origins = {f"{guard.hosts.scheme}://{own}": True, "https://evil.example": False, None: None}
    for method, host, (origin, is_ours) in product(
        ("GET", "POST", "DELETE"), (own, "evil.example"), origins.items()
    ):
        answer = ask(guard, "/owner", method, host=host, Origin=origin, **fields)
        said = is_ours or (is_ours is None and shown == "token")
        if host != own:
            require_problem(answer, 400, "wrong-host")
        elif method == "GET" or said:
            assert answer.status == 200
        else:
            require_problem(answer, 403, "wrong-origin")
        assert not [name for name, _ in answer.fields if name.startswith("access-control")]


@pytest.mark.parametrize("placed", [LOCAL, OUTSIDE], ids=["local", "TLS"])
def test_who_shows_nothing_gets_nothing(placed: ServiceSettings, engine: Engine) -> None:
    """Once a token was made, on this machine too: 401 and how to show who one is."""
    secret, _ = made(engine, role=Role.OWNER)
    guard = guarded(engine, placed, Clock(NOW))
    shown: tuple[dict[str, str], ...] = (
        {},
        {"Authorization": f"Bearer {WRONG}"},
        {"Authorization": "Bearer"},
        {"Authorization": ""},
        {"Authorization": "Basic bWU6cGFzc3dvcmQ="},
        {"Cookie": "buffet_session=nothing; __Host-buffet_session=nothing"},
    )
    paths = ("/", "/api/campaigns", "/login/x", "/staticx", "/metrics", "/healthz/")
    for fields, path in product(shown, paths):
        guard.limits.failures.take = lambda *_: None  # type: ignore[method-assign]
        answer = ask(guard, path, **fields)
        require_problem(answer, 401, "not-signed-in")
        assert answer.field("www-authenticate") == 'Bearer realm="buffet"'
        twice = ask(guard, "/", "GET", ("authorization", f"Bearer {secret}"), **fields)
        assert twice.status == (401 if "Authorization" in fields else 200)


def test_a_wrong_token_is_not_made_up_for_by_a_cookie(engine: Engine) -> None:
    """Whoever shows a token is that token or nobody."""
    secret, _ = made(engine, role=Role.OWNER)
    guard = guarded(engine, LOCAL, Clock(NOW))
    cookie = cookie_of(guard, engine, secret)
    assert ask(guard, "/", Cookie=cookie).status == 200
    assert ask(guard, "/", Cookie=cookie, Authorization=f"Bearer {WRONG}").status == 401


def test_a_browser_is_led_to_where_it_signs_in(engine: Engine) -> None:
    """And back; what is no page, or changes something, is told instead."""
    made(engine)
    guard = guarded(engine, OUTSIDE, Clock(NOW))
    answer = ask(guard, "/campaigns/3?speed=130&a=%2F", Accept=PAGE)

    assert answer.status == 303
    assert answer.field("location") == "/login?next=/campaigns/3%3Fspeed%3D130%26a%3D%252F"
    require_problem(ask(guard, "/campaigns/3", Accept="*/*"), 401, "not-signed-in")
    posted = ask(guard, "/upload", "POST", Accept=PAGE, Origin="https://tunnel.example")
    require_problem(posted, 401, "not-signed-in")
    for path in ("/login", "/healthz", "/static/page.css"):
        assert ask(guard, path).json["principal"] is None


def test_this_machine_is_the_owner_until_a_token_is_made(
    engine: Engine, settings: ServiceSettings
) -> None:
    """By another process, too, within seconds; and then for ever."""
    clock = Clock(NOW)
    guard = guarded(engine, LOCAL, clock)
    assert ask(guard, "/owner").json["principal"] == "local"
    own = {"Origin": "http://localhost:8000", "host": "localhost:8000"}
    assert ask(guard, "/owner", "POST", **own).status == 200
    assert ask(guard, "/owner", "POST").json["kind"] == "wrong-origin"

    with opened(settings) as other:
        _, token = made(other)
    clock.now += 5
    assert ask(guard, "/owner").status == 401
    clock.now = token.expires_at + 1
    assert ask(guard, "/owner").status == 401


@pytest.mark.parametrize("placed", [OUTSIDE, BEHIND], ids=["TLS", "proxy"])
def test_from_outside_nobody_is_local(placed: ServiceSettings, engine: Engine) -> None:
    """Not without any token, nor with what another way in is remembered for."""
    clock = Clock(NOW)
    local, guard = guarded(engine, LOCAL, clock), guarded(engine, placed, clock)
    guard.identities = local.identities
    assert ask(local, "/owner").status == 200
    assert ask(guard, "/owner", client="192.0.2.1").status == 401
    for name in ("Forwarded", "X_Forwarded_For", "X_Forwarded_Host"):
        assert ask(local, "/owner", client="127.0.0.1", **{name: "127.0.0.1"}).status == 401


def test_behind_a_proxy(engine: Engine) -> None:
    """The user's address and the public name pass through; nobody comes past it."""
    secret, _ = made(engine)
    guard = guarded(engine, BEHIND, Clock(NOW))
    fields = {
        "Authorization": f"Bearer {secret}",
        "X_Forwarded_For": "10.1.1.1, 203.0.113.9",
        "X_Forwarded_Host": "tunnel.example",
    }
    answer = ask(guard, "/", client="192.0.2.1", host="127.0.0.1:8000", **fields)
    assert answer.json["client"] == answer.json["address"] == "203.0.113.9"
    assert answer.json["scheme"] == "https"
    assert answer.field("strict-transport-security") == "max-age=31536000"
    require_problem(ask(guard, "/", client="192.0.2.2", **fields), 403, "forbidden")


def test_a_token_in_an_address_is_refused() -> None:
    """Logs and histories keep it; the answer does not repeat it, and no database is asked."""
    guard = Guard(application, LOCAL, None, SECRET, Clock(NOW))  # type: ignore[arg-type]
    hidden = WRONG.replace("b", "%62")
    for path in (f"/?token={WRONG}", f"/?a=1&b={hidden}", f"/{WRONG}", f"/login?next={WRONG}"):
        answer = ask(guard, path)
        require_problem(answer, 400, "token-in-address")
        assert WRONG not in str(answer)


def test_two_hosts_are_none(engine: Engine) -> None:
    """Nobody knows which one counts."""
    guard = guarded(engine, LOCAL, Clock(NOW))
    require_problem(ask(guard, "/", "GET", ("host", "localhost:8000")), 400, "wrong-host")


def test_requests_are_limited_by_user_and_by_address(engine: Engine) -> None:
    """One's own limit is nobody else's; a minute later it goes on."""
    clock = Clock(NOW)
    guard = guarded(engine, replace(OUTSIDE, requests_per_minute=5), clock)
    first, second = (f"Bearer {made(engine, name)[0]}" for name in ("a", "b"))
    ask(guard, "/", Authorization=first)  # not known yet: counted against the address
    answers = [ask(guard, "/", Authorization=first) for _ in range(6)]

    assert [one.status for one in answers] == [200] * 5 + [429]
    require_problem(answers[-1], 429, "too-many-requests")
    assert answers[-1].field("retry-after") == "12"
    assert ask(guard, "/", Authorization=second).status == 200
    assert [ask(guard, "/login").status for _ in range(4)] == [200] * 3 + [429]
    assert ask(guard, "/login", client="192.0.2.78").status == 200
    clock.now += 12
    assert ask(guard, "/login").status == 200


def test_wrong_tokens_are_limited_more(engine: Engine) -> None:
    """By address, long before other requests are; a right one passes."""
    secret, _ = made(engine)
    guard = guarded(engine, OUTSIDE, Clock(NOW))
    wrong = [ask(guard, "/", Authorization=f"Bearer {WRONG}") for _ in range(FAILURES + 1)]

    assert [one.status for one in wrong] == [401] * FAILURES + [429]
    assert wrong[-1].field("retry-after") == "60"
    assert ask(guard, "/", Authorization=f"Bearer {secret}").status == 200
    assert ask(guard, "/login").status == 200


@pytest.mark.parametrize("placed", [LOCAL, OUTSIDE], ids=["local", "TLS"])
def test_every_head_says_what_browsers_must_not_do(placed: ServiceSettings, engine: Engine) -> None:
    """Answers, refusals and ways to the sign-in alike; an answer's own policy stays its own."""
    secret, _ = made(engine)
    guard = guarded(engine, placed, Clock(NOW))
    known = {"Authorization": f"Bearer {secret}"}
    asked = product(("/", "/login", "/owner", "/report"), (known, {}), ("*/*", PAGE))
    for path, fields, accept in asked:
        answer = ask(guard, path, Accept=accept, **fields)
        policy = answer.field("content-security-policy") or ""

        assert answer.field("x-content-type-options") == "nosniff"
        assert answer.field("referrer-policy") == "same-origin"
        assert answer.field("x-frame-options") == "DENY"
        assert answer.field("cross-origin-opener-policy") == "same-origin"
        assert answer.field("cross-origin-resource-policy") == "same-origin"
        assert "camera=()" in (answer.field("permissions-policy") or "")
        assert (answer.field("strict-transport-security") is not None) == (placed is OUTSIDE)
        if path == "/report" and fields:
            assert policy == "sandbox"
            assert answer.field("cache-control") == "private"
        else:
            assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'; ")
            assert policy.endswith("frame-ancestors 'none'; base-uri 'none'")
            assert "unsafe" not in policy
            assert answer.field("cache-control") == "no-store"


def test_a_browser_has_something_to_make_form_tokens_of(engine: Engine) -> None:
    """A cookie of its own until it signs in, its session afterwards; a token needs none."""
    secret, _ = made(engine)
    guard = guarded(engine, LOCAL, Clock(NOW))
    first = ask(guard, "/login", Accept=PAGE)
    cookie = (first.field("set-cookie") or "").partition(";")[0]
    again = ask(guard, "/login", Accept=PAGE, Cookie=cookie)
    session = cookie_of(guard, engine, secret)
    signed_in = ask(guard, "/", Accept=PAGE, Cookie=f"{cookie}; {session}")
    by_token = ask(guard, "/", Accept=PAGE, Authorization=f"Bearer {secret}")

    browser = cookie_value(cookie, "buffet_browser", is_encrypted=False)
    assert browser is not None
    assert len(browser) == 43
    assert first.json["form_token"] == form_token(SECRET, browser)
    assert again.json["form_token"] == first.json["form_token"]
    assert again.field("set-cookie") is None
    value = session.partition("=")[2]
    assert signed_in.json["form_token"] == form_token(SECRET, value)
    assert value not in str(signed_in)
    assert by_token.json["form_token"] is None


def test_what_has_no_cookie_can_send_no_form(engine: Engine) -> None:
    """On this machine, too, before any token: each request wants another form token."""
    guard = guarded(engine, LOCAL, Clock(NOW))
    own = {"Origin": "http://localhost:8000", "host": "localhost:8000"}
    first, second = (ask(guard, "/", "POST", **own) for _ in range(2))

    assert first.status == second.status == 200
    assert first.field("set-cookie") is None
    assert first.json["form_token"] != second.json["form_token"]


def test_bodies_pass_as_they_come() -> None:
    """No message is held back, none is read ahead: an event stream is one."""
    order: list[object] = []

    async def streaming(scope: Scope, receive: Receive, send: Send) -> None:
        order.append((await receive())["body"])
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for part in (b"a", b"b"):
            order.append(f"before {part!r}")
            await send({"type": "http.response.body", "body": part, "more_body": True})
        order.append((await receive())["body"])

    async def receive() -> MutableMapping[str, Any]:
        order.append("asked for")
        return {"type": "http.request", "body": b"body"}

    async def send(message: MutableMapping[str, Any]) -> None:
        order.append(message.get("body", "head"))

    guard = Guard(streaming, LOCAL, None, SECRET, Clock(NOW))  # type: ignore[arg-type]
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/healthz",
        "query_string": b"",
        "headers": [(b"host", b"localhost:8000"), (b"x-forwarded-for", b"a")],
        "client": None,
        "scheme": "http",
    }
    anyio.run(guard, scope, receive, send)
    assert order == [
        *("asked for", b"body", "head", "before b'a'", b"a", "before b'b'", b"b"),
        *("asked for", b"body"),
    ]


def test_what_is_no_request_for_a_page() -> None:
    """The application hears of start and end; WebSockets are closed, whoever asks."""
    heard: list[str] = []

    async def listening(scope: Scope, receive: Receive, send: Send) -> None:
        heard.append(scope["type"])

    async def send(message: MutableMapping[str, Any]) -> None:
        heard.append(message["type"])

    async def receive() -> MutableMapping[str, Any]:
        raise AssertionError

    guard = Guard(listening, LOCAL, None, SECRET, Clock(NOW))  # type: ignore[arg-type]
    for kind in ("lifespan", "websocket"):
        anyio.run(guard, {"type": kind}, receive, send)
    assert heard == ["lifespan", "websocket.close"]
