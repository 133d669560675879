"""Signing in, attacked: fixed sessions, sign-ins by other pages, addresses that lead elsewhere."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from buffet.service.access.roles import Role
from tests.buffet.service.inside import ORIGIN, Inside, in_folder, inside

ELSEWHERE = (
    "//elsewhere.example/",
    "///elsewhere.example",
    "/\\elsewhere.example",
    "\\\\elsewhere.example",
    "/\t/elsewhere.example",
    "/\r\nSet-Cookie: a=b",
    "https://elsewhere.example/",
    "javascript:alert(1)",
    "elsewhere.example",
    "",
    '"><script>alert(1)</script>',
)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Inside]:
    """A service that has one reader."""
    with inside(in_folder(tmp_path)) as running:
        yield running


async def form_of(client: httpx.AsyncClient, target: str = "/login") -> dict[str, str]:
    """Fields of the page's form, with the cookie that it came with kept by the client."""
    answer = await client.get(target, headers={"Accept": "text/html"})
    found = re.findall(r'name="(\w+)"[^>]*value="([^"]*)"', answer.text)
    assert "<script>alert" not in answer.text
    return dict(found)


def test_nobody_is_led_elsewhere_after_signing_in(own: Inside) -> None:
    """Whatever `next` says, in the address or in the form."""
    secret = own.token("reader", Role.READER, time.time())

    async def talk(client: httpx.AsyncClient) -> set[str]:
        places = set()
        for given in ELSEWHERE:
            fields = await form_of(client, str(httpx.URL("/login", params={"next": given})))
            for target in (given, fields["next"]):
                data = {**fields, "token": secret, "next": target}
                answer = await client.post("/login", data=data, headers={"Origin": ORIGIN})
                assert answer.status_code == 303, answer.text
                places.add(answer.headers["location"])
                assert "a=b" not in str(answer.headers)
                client.cookies.delete("buffet_session")
        return places

    assert own.run(talk) == {"/"}


def test_a_session_is_never_one_that_was_there_before(own: Inside) -> None:
    """A cookie that somebody else put into the browser opens nothing, before or after."""
    secret = own.token("reader", Role.READER, time.time())
    planted = "A" * 43

    async def talk(client: httpx.AsyncClient) -> str:
        client.cookies.set("buffet_session", planted, domain="127.0.0.1")
        fields = await form_of(client)
        data = {**fields, "token": secret}
        answer = await client.post("/login", data=data, headers={"Origin": ORIGIN})
        assert answer.status_code == 303, answer.text
        return str(answer.cookies["buffet_session"])

    given = own.run(talk)
    assert given != planted

    async def seen(client: httpx.AsyncClient) -> list[int]:
        heads = [{"Cookie": f"buffet_session={value}"} for value in (planted, given)]
        return [(await client.get("/api/campaigns", headers=one)).status_code for one in heads]

    assert own.run(seen) == [401, 200]


@pytest.mark.parametrize("origin", [None, "http://elsewhere.example", "null"])
def test_other_pages_sign_nobody_in(own: Inside, origin: str | None) -> None:
    """With a token that lives: the victim would work as the attacker."""
    secret = own.token("attacker", Role.OWNER, time.time())

    async def talk(client: httpx.AsyncClient) -> httpx.Response:
        head = {} if origin is None else {"Origin": origin}
        return await client.post("/login", data={"token": secret}, headers=head)

    answer = own.run(talk)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_a_form_of_another_browser_signs_nobody_in(own: Inside) -> None:
    """Its form token goes with the cookie it was made for."""
    secret = own.token("reader", Role.READER, time.time())

    async def talk(client: httpx.AsyncClient) -> httpx.Response:
        fields = await form_of(client)
        client.cookies.clear()
        data = {**fields, "token": secret}
        return await client.post("/login", data=data, headers={"Origin": ORIGIN})

    answer = own.run(talk)
    assert (answer.status_code, "buffet_session" in answer.cookies) == (403, False)
