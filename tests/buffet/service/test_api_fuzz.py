"""The API against requests that its own description allows, and such as it does not."""

from __future__ import annotations

import httpx

from buffet.service.settings import ServiceSettings
from tests.buffet.service.api_fuzz import fuzz_api, fuzzed
from tests.buffet.service.inside import ORIGIN, add_campaign, inside

CASES = 500
HEAD = {"Content-Type": "application/json", "Origin": ORIGIN}
ADDRESSES = (
    "/api/campaigns?search=%00",
    "/api/campaigns?search=%ed%a0%80",
    "/api/campaigns/1/runs/%00",
    "/api/campaigns/1/runs/1%00/analysis",
    "/api/campaigns/1/runs/%ed%a0%80",
    "/api/campaigns/1/spectra?run=%00",
    "/api/jobs?state=%00",
    "/?search=%00",
    "/campaigns/1/runs/%00",
)
DOCUMENTS = (
    ("/api/tokens", r'{"name": "a\u0000b", "role": "reader"}'),
    ("/api/tokens", r'{"name": "a\ud800b", "role": "reader"}'),
    ("/api/tokens", r'{"name": "a", "role": "reader", "\ud800": 1}'),
    ("/api/tokens", '{"name": "a", "role": "reader", "days": 1e400}'),
    ("/api/tokens", '{"name": "a", "role": "reader", "days": ' + "9" * 5000 + "}"),
    ("/api/tokens", "[" * 100_000),
    ("/api/campaigns/1/jobs", r'{"kind": "run", "run": "\u0000"}'),
    ("/api/campaigns/1/jobs", r'{"kind": "run", "run": "\ud800"}'),
    ("/api/campaigns/1/jobs", r'{"kind": "\ud800"}'),
    ("/api/campaigns/1/jobs", r'{"kind": "rate", "road": "\ud800"}'),
    ("/api/campaigns/1/jobs", r'{"kind": "rate", "car": "\u0000"}'),
    ("/api/campaigns/1/jobs", '{"kind": "compare", "fuel_elasticity": NaN}'),
    ("/api/campaigns/1/jobs", '{"kind": "compare", "fuel_elasticity": Infinity}'),
    ("/api/check-sheet", r'{"sheet": "\ud800"}'),
    ("/api/check-sheet", r'{"sheet": "x = 1", "files": ["\ud800", "\u0000"]}'),
)


def test_no_request_breaks_it(settings: ServiceSettings) -> None:
    """In both databases; every answer is as described."""
    with fuzzed(settings) as (address, head):
        tally = fuzz_api(address, head, CASES // 2, 1)
    assert sum(tally.values()) >= 0.8 * CASES // 2
    assert tally["5xx"] == 0
    assert tally["2xx"] > 0
    assert tally["4xx"] > 0


def test_what_no_database_keeps_is_refused(settings: ServiceSettings) -> None:
    """NUL and halves of characters, wherever a text comes in; PostgreSQL fails at the former."""
    with inside(settings) as own:
        add_campaign(own.service)

        async def talk(client: httpx.AsyncClient) -> list[httpx.Response]:
            answers = [await client.get(address) for address in ADDRESSES]
            for path, document in DOCUMENTS:
                body = document.encode()
                answers.append(await client.post(path, content=body, headers=HEAD))
            return answers

        before = own.state()
        told = {str(one.request.url): one.status_code for one in own.run(talk)}
        assert own.state() == before
    assert {status for status in told.values() if status >= 500} == set(), told
    assert set(told.values()) <= {200, 400, 404, 422}, told
