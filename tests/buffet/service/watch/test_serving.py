"""`buffet serve --watch` as people start it, with the limited child and the thread."""

from __future__ import annotations

import time
from pathlib import Path

from buffet.service.settings import ServiceSettings
from tests.buffet.campaigns import two_configurations
from tests.buffet.service.process import Server, running

PATIENCE_S = 60.0


def test_a_watched_campaign_is_taken_in_and_analysed(tmp_path: Path) -> None:
    """Without anybody asking; the watch stops with the server."""
    hall = tmp_path / "hall"
    hall.mkdir()
    options = ("--watch", str(hall), "--settle", "1 s")
    own = Server.of(ServiceSettings(tmp_path / "service"), *options)
    with running(own) as server, server.client() as client:
        two_configurations(hall / "a", seconds=2)
        until = time.monotonic() + PATIENCE_S
        while not (jobs := client.get("/api/jobs?state=running").json()["items"]):
            assert time.monotonic() < until
            time.sleep(0.2)
        (campaign,) = client.get("/api/campaigns").json()["items"]
        kinds = [job["kind"] for job in client.get("/api/jobs").json()["items"]]
        assert server.stop() == 0

    assert (campaign["is_watched"], campaign["runs"], campaign["waiting"]) == (True, 3, [])
    assert jobs[0]["kind"] == "board"
    assert sorted(kinds) == ["board", "compare", "run", "run", "run"]
    assert '"logger": "buffet.service.watch", "message": "taken in"' in server.log.read_text()
