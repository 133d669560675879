"""A server that is killed has lost nothing that it acknowledged."""

from __future__ import annotations

from dataclasses import replace

from buffet.service.settings import ServiceSettings
from tests.buffet.service.killing import kill_many

KILLS = {True: 3, False: 2}  # of SQLite, of PostgreSQL


def test_what_was_acknowledged_outlives_kills(settings: ServiceSettings) -> None:
    """Uploads, runs and analyses were under way each time; in both databases."""
    own = replace(settings, folder=settings.folder / "service")
    kills = KILLS[settings.database_url is None]
    tally = kill_many(own, kills, 1, 3.0)
    assert tally["servers killed"] == kills
    assert tally["campaigns"] > 0
    assert tally["files read back"] >= 7 * tally["campaigns"]
