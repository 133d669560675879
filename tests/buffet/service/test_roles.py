"""Every address, asked by everybody: who may, who may not, and that a refusal changes nothing."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from buffet.service.access import tokens
from buffet.service.access.guard import is_public
from buffet.service.access.roles import Role
from buffet.service.app import ROUTERS
from buffet.service.database.engine import writing
from buffet.service.web.routers import ROUTERS as PAGES
from tests.buffet.service.inside import ORIGIN, Inside, add_campaign, add_job, in_folder, inside

# Written by hand: the least role for each address. A new address must be thought of here.
TABLE = """
GET    /                                                    reader
GET    /login                                               public
POST   /login                                               public
POST   /logout                                              reader
GET    /static/{name:path}                                  public
GET    /docs                                                reader
GET    /campaigns/{campaign_id}                             reader
GET    /campaigns/{campaign_id}/compare                     reader
GET    /campaigns/{campaign_id}/runs/{number}               reader
POST   /campaigns/{campaign_id}/analyse                     engineer
POST   /campaigns/{campaign_id}/bin                         engineer
POST   /campaigns/{campaign_id}/runs/{number}/bin           engineer
GET    /campaigns/{campaign_id}/upload                      engineer
POST   /campaigns/{campaign_id}/upload                      engineer
GET    /upload                                              engineer
POST   /upload                                              engineer
GET    /jobs/{job_id}                                       reader
POST   /jobs/{job_id}/cancel                                engineer
GET    /bin                                                 reader
POST   /bin/campaigns/{campaign_id}/restore                 engineer
POST   /bin/campaigns/{campaign_id}/runs/{number}/restore   engineer
POST   /bin/campaigns/{campaign_id}/delete                  owner
GET    /access                                              owner
POST   /access/tokens                                       owner
POST   /access/tokens/{token_id}/revoke                     owner
GET    /healthz                                             public
GET    /openapi.json                                        reader
GET    /metrics                                             reader
GET    /api/campaigns                                       reader
POST   /api/campaigns                                       engineer
GET    /api/campaigns/{campaign_id}                         reader
DELETE /api/campaigns/{campaign_id}                         engineer
GET    /api/campaigns/{campaign_id}/files                   reader
GET    /api/campaigns/{campaign_id}/files/{sha256}          reader
GET    /api/campaigns/{campaign_id}/archive                 reader
GET    /api/campaigns/{campaign_id}/runs                    reader
POST   /api/campaigns/{campaign_id}/runs                    engineer
GET    /api/campaigns/{campaign_id}/runs/{number}           reader
DELETE /api/campaigns/{campaign_id}/runs/{number}           engineer
GET    /api/campaigns/{campaign_id}/runs/{number}/analysis  reader
GET    /api/campaigns/{campaign_id}/runs/{number}/export    reader
GET    /api/campaigns/{campaign_id}/jobs                    reader
POST   /api/campaigns/{campaign_id}/jobs                    engineer
GET    /api/campaigns/{campaign_id}/rating                  reader
GET    /api/campaigns/{campaign_id}/table                   reader
GET    /api/campaigns/{campaign_id}/comparison              reader
GET    /api/campaigns/{campaign_id}/spectra                 reader
GET    /api/campaigns/{campaign_id}/board                   reader
GET    /api/campaigns/{campaign_id}/findings                reader
GET    /api/campaigns/{campaign_id}/report                  reader
GET    /api/jobs                                            reader
GET    /api/jobs/{job_id}                                   reader
GET    /api/jobs/{job_id}/events                            reader
GET    /api/jobs/{job_id}/result                            reader
POST   /api/jobs/{job_id}/cancel                            engineer
POST   /api/check-sheet                                     engineer
GET    /api/bin                                             reader
GET    /api/bin/campaigns/{campaign_id}/runs                reader
POST   /api/bin/campaigns/{campaign_id}/restore             engineer
POST   /api/bin/campaigns/{campaign_id}/runs/{number}/restore engineer
DELETE /api/bin/campaigns/{campaign_id}                     owner
GET    /api/tokens                                          owner
POST   /api/tokens                                          owner
POST   /api/tokens/{token_id}/revoke                        owner
GET    /api/audit                                           owner
"""
ROUTES = [
    (method, template, role) for method, template, role in map(str.split, TABLE.split("\n")[1:-1])
]
WORDS = ("reader", "engineer", "owner")
CHANGES = [route for route in ROUTES if route[0] != "GET"]
FORMS = [route for route in CHANGES if not route[1].startswith("/api/")]
MISSING = 999  # what a change that is allowed is asked of, so that it changes nothing


class Team:
    """A service with a campaign and a token and a browser of each kind."""

    def __init__(self, own: Inside) -> None:
        now = time.time()
        self.own = own
        campaign_id = add_campaign(own.service)
        add_job(own.service, campaign_id)
        self.tokens = {word: own.token(f"the {word}", Role.of(word), now) for word in WORDS}
        old = now - 2 * 86400.0
        self.dead = {
            "expired": own.token("expired", Role.OWNER, old),
            "revoked": own.token("revoked", Role.OWNER, now),
            "invented": "bft_" + "A" * 43,
            "no token": "owner",
        }
        revoked_session = own.session(self.dead["revoked"], now)
        with writing(own.service.engine) as connection:
            tokens.revoke(connection, 5, now)
        self.browsers = {word: own.session(self.tokens[word], now) for word in WORDS}
        self.dead_browsers = [revoked_session[0], "buffet_session=invented"]


@pytest.fixture(scope="module")
def team(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Team]:
    """One for all: what is refused changes nothing, and what is allowed is asked of nothing."""
    with inside(in_folder(tmp_path_factory.mktemp("service"))) as own:
        yield Team(own)


def address(template: str, number: int = 1) -> str:
    """An address of a template."""
    words = {
        "{campaign_id}": str(number),
        "{job_id}": str(number),
        "{token_id}": str(number),
        "{number}": "1",
        "{sha256}": "0" * 64,
        "{name:path}": "style.css",
    }
    for word, value in words.items():
        template = template.replace(word, value)
    return template


def bearer(secret: str) -> dict[str, str]:
    """As a script shows it."""
    return {"Authorization": f"Bearer {secret}"}


def form_of(template: str, token: str) -> dict[str, Any]:
    """A body that our page could send, with a form token."""
    if template.endswith("upload"):
        return {"files": {"form_token": (None, token)}}
    return {"data": {"form_token": token}}


def test_the_table_holds_every_address() -> None:
    """Those of the application, no more and no less."""
    found = {
        (method, route.path)
        for router in (*ROUTERS, *PAGES)
        for route in router.routes
        for method in getattr(route, "methods", ())
    }
    assert {(method, template) for method, template, _ in ROUTES} == found
    assert len(ROUTES) == len(found)


def test_what_is_public_is_so_at_the_door() -> None:
    """The guard's own list says the same as the table."""
    for _, template, role in ROUTES:
        assert is_public(address(template)) is (role == "public"), template


def due(role: str, word: str | None) -> int | None:
    """The status with which somebody of a role, or nobody, is refused."""
    if role == "public" or (word is not None and WORDS.index(word) >= WORDS.index(role)):
        return None
    return 401 if word is None else 403


def require_answer(answer: httpx.Response, wanted: int | None, case: object) -> None:
    """Refused as is due, or let in; never broken."""
    assert answer.status_code < 500, (case, answer.text)
    if wanted is None:
        assert answer.status_code not in (401, 403), (case, answer.text)
    else:
        assert answer.status_code == wanted, (case, answer.text)
        assert answer.headers["content-type"] == "application/problem+json"


def test_tokens_open_what_their_role_may(team: Team) -> None:
    """Nobody and dead tokens nothing but what is public; a refusal leaves all as it was."""

    async def talk(client: httpx.AsyncClient) -> None:
        for method, template, role in ROUTES:
            for word in (None, *WORDS):
                wanted = due(role, word)
                number = 1 if wanted or method == "GET" else MISSING
                headers = {} if word is None else bearer(team.tokens[word])
                headers |= {"Origin": ORIGIN} if word is None else {}
                path = address(template, number)
                answer = await client.request(method, path, headers=headers)
                client.cookies.clear()
                if (method, template) != ("POST", "/login"):  # tells of the token in its form
                    require_answer(answer, wanted, (method, path, word))
            for kind, secret in team.dead.items():
                answer = await client.request(method, address(template), headers=bearer(secret))
                require_answer(answer, 401, (method, template, kind))

    before = team.own.state()
    team.own.run(talk)
    assert team.own.state() == before


def test_browsers_see_what_their_role_may(team: Team) -> None:
    """By the session's cookie; sessions end with their token."""

    async def talk(client: httpx.AsyncClient) -> None:
        for method, template, role in ROUTES:
            if method != "GET":
                continue
            for word in WORDS:
                headers = {"Cookie": team.browsers[word][0]}
                answer = await client.get(address(template), headers=headers)
                require_answer(answer, due(role, word), (template, word))
            for cookie in team.dead_browsers:
                answer = await client.get(address(template), headers={"Cookie": cookie})
                require_answer(answer, due(role, None), (template, cookie))

    before = team.own.state()
    team.own.run(talk)
    assert team.own.state() == before


@pytest.mark.parametrize(
    "head",
    [
        {},
        {"Origin": "http://127.0.0.1:8001"},
        {"Origin": "https://127.0.0.1:8000"},
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": "http://elsewhere.example", "Sec-Fetch-Site": "same-origin"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_pages_of_others_change_nothing(team: Team, head: dict[str, str]) -> None:
    """Whatever a browser adds of its own: an owner's cookie, and the right form token besides."""
    cookie, token = team.browsers["owner"]

    async def talk(client: httpx.AsyncClient) -> None:
        for method, template, _ in CHANGES:
            headers = {"Cookie": cookie, **head}
            body = form_of(template, token) if method == "POST" else {}
            answer = await client.request(method, address(template), headers=headers, **body)
            require_answer(answer, 403, (method, template, head))

    before = team.own.state()
    team.own.run(talk)
    assert team.own.state() == before


def test_forms_need_a_token_of_this_browser(team: Team) -> None:
    """None, another browser's, or one with another letter is refused; scripts need none."""
    cookie, token = team.browsers["owner"]
    wrong = ("", team.browsers["engineer"][1], token[:-1] + ("0" if token[-1] != "0" else "1"))

    async def talk(client: httpx.AsyncClient) -> None:
        for method, template, _ in FORMS:
            headers = {"Cookie": cookie, "Origin": ORIGIN}
            for given in wrong:
                body = form_of(template, given)
                answer = await client.request(method, address(template), headers=headers, **body)
                if template != "/login":
                    require_answer(answer, 403, (template, given))
                assert "set-cookie" not in answer.headers
            answer = await client.request(method, address(template), headers=headers)
            assert 400 <= answer.status_code < 500, template

    before = team.own.state()
    team.own.run(talk)
    assert team.own.state() == before


def test_changes_by_browsers_need_the_role(team: Team) -> None:
    """Right Origin and form token, and each role."""

    async def talk(client: httpx.AsyncClient) -> None:
        for method, template, role in CHANGES:
            if template in ("/login", "/logout"):
                continue
            for word in WORDS:
                cookie, token = team.browsers[word]
                wanted = due(role, word)
                path = address(template, 1 if wanted else MISSING)
                headers = {"Cookie": cookie, "Origin": ORIGIN}
                is_form = not template.startswith("/api/")
                body = form_of(template, token) if is_form else {}
                answer = await client.request(method, path, headers=headers, **body)
                require_answer(answer, wanted, (method, path, word))

    before = team.own.state()
    team.own.run(talk)
    assert team.own.state() == before


def test_methods_that_no_address_has_are_refused(team: Team) -> None:
    """By who is let in; to nobody all addresses look alike."""

    async def talk(client: httpx.AsyncClient) -> None:
        for template in sorted({template for _, template, _ in ROUTES}):
            own = {method for method, other, _ in ROUTES if other == template}
            for method in ("PUT", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW"):
                path = address(template)
                answer = await client.request(method, path, headers=bearer(team.tokens["owner"]))
                assert answer.status_code == 405, (method, path, answer.text)
                assert own >= set(answer.headers["allow"].split(", "))
        answer = await client.get("/nowhere")
        assert answer.status_code == 401

    before = team.own.state()
    team.own.run(talk)
    assert team.own.state() == before
