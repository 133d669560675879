"""A server killed at random moments under load, many times."""

from __future__ import annotations

from dataclasses import replace

from tests.buffet.service.databases import KINDS
from tests.buffet.service.killing import kill_many
from tests.thorough.databases import settings_of

SEED = 2  # 1 is that of the tests


def print_kills(n: int) -> None:
    """`n` kills, half of them over each database; stops where anything acknowledged is missing."""
    for kind in KINDS:
        with settings_of(kind) as given:
            settings = replace(given, folder=given.folder / "service")
            tally = kill_many(settings, -(-n // len(KINDS)), SEED)
        told = ", ".join(f"{word} {number}" for word, number in sorted(tally.items()))
        print(f"{kind:12} {told}", flush=True)
