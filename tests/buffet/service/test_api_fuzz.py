"""The API against requests that its own description allows, and such as it does not."""

from __future__ import annotations

from buffet.service.settings import ServiceSettings
from tests.buffet.service.api_fuzz import fuzz_api, fuzzed

CASES = 500


def test_no_request_breaks_it(settings: ServiceSettings) -> None:
    """In both databases; every answer is as described."""
    with fuzzed(settings) as (address, head):
        tally = fuzz_api(address, head, CASES // 2, 1)
    assert sum(tally.values()) >= 0.8 * CASES // 2
    assert tally["5xx"] == 0
    assert tally["2xx"] > 0
    assert tally["4xx"] > 0
