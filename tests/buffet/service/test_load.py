"""Many users at once: every one is answered."""

from __future__ import annotations

from pathlib import Path

from buffet.service.settings import ServiceSettings
from tests.buffet.service.loading import load

SECONDS = 10.0


def test_fifty_readers_and_five_uploaders_are_answered(tmp_path: Path) -> None:
    """No error, whatever time it takes; `python -m tests.thorough load` prints the figures."""
    found = load(ServiceSettings(tmp_path / "service"), SECONDS, "check")
    print("\n".join(found.lines()))
    assert found.errors == []
    assert min(map(len, found.waits_s.values())) > 0
    assert set(found.waits_s) == {"list", "campaign", "result", "runs", "page", "upload"}
