"""What all tests of the cache begin with."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest import Run
from ingest.readers import part
from tests.ingest.cache.cached_runs import run_of, text


@pytest.fixture(autouse=True)
def _short_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Several blocks of a recording of kilobytes."""
    monkeypatch.setattr(part, "BLOCK_ROWS", 300)
    monkeypatch.setattr("ingest.readers.text_chunks.CHUNK_BYTES", 4096)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """One text."""
    (tmp_path / "1.csv").write_text(text(1))
    return run_of(tmp_path, "1.csv")
