"""The API asked at random by its own description, by the thousand."""

from __future__ import annotations

from tests.buffet.service.api_fuzz import fuzz_api, fuzzed
from tests.buffet.service.databases import KINDS
from tests.thorough.databases import settings_of

SEED = 2  # 1 is that of the tests


def print_api(n: int) -> None:
    """`n` requests, half of them to each database; stops where one is not answered as described."""
    for kind in KINDS:
        with settings_of(kind) as settings, fuzzed(settings) as (address, head):
            tally = fuzz_api(address, head, n // len(KINDS), SEED)
        told = ", ".join(f"{word} {number}" for word, number in sorted(tally.items()))
        print(f"{kind:12} {told}", flush=True)
