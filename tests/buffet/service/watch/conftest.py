"""Watched folders over either database."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from buffet.service import trees
from buffet.service.intake.inspection import inspect
from buffet.service.settings import ServiceSettings
from tests.buffet.service.filling import service_of
from tests.buffet.service.watch.hall import Hall


@pytest.fixture
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Inspections in this process: a child of its own takes a second."""
    monkeypatch.setattr(trees, "inspect_limited", inspect)


@pytest.fixture
def hall(tmp_path: Path, at_once: None) -> Iterator[Hall]:
    """A service over SQLite, without workers, and an empty folder that it watches."""
    with service_of(ServiceSettings(tmp_path / "service")) as service:
        yield Hall(service, tmp_path / "hall")


@pytest.fixture
def either_hall(
    settings: ServiceSettings, tmp_path_factory: pytest.TempPathFactory, at_once: None
) -> Iterator[Hall]:
    """The same over either database."""
    with service_of(settings) as service:
        yield Hall(service, tmp_path_factory.mktemp("hall"))
