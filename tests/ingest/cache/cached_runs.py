"""Runs whose recordings are kept as they are read, and what is asked of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest import Channel, Run, recording_cache
from ingest.cache_folder import cache_folder
from ingest.cache_keys import FOLDER, asked_by
from ingest.recording import ClockOptions, Recording

N = 1000
CHANNELS = (
    Channel("lift", "fz", "lift", "N", 2.0, 0.5),
    Channel("tap", "p", "pressure", "Pa", 1.0),
)
AT_100_HZ = ClockOptions(rate_hz=100.0)


def text(seed: int, n: int = N, first: int = 0) -> str:
    """Time with a gap, two columns of six digits, a missing sample now and then."""
    rng = np.random.default_rng(seed)
    rows = [
        f"{(i + 7 * (i > 500)) / 100:.2f},{'' if i % 97 == 3 else f'{fz:.6f}'},{p:.6f}"
        for i, (fz, p) in enumerate(rng.uniform(1.0, 9.0, (n, 2)), first)
    ]
    return "t,fz,p\n" + "\n".join(rows) + "\n"


def run_of(folder: Path, *names: str, **more: Any) -> Run:
    """A run of files in a folder, kept beside them."""
    paths = tuple(folder / name for name in names)
    run = Run("1", "bare", "wind-on", folder / "1.toml", paths, names, CHANNELS, AT_100_HZ)
    return replace(run, cache=cache_folder(folder)[0], **more)


def told(run: Run) -> tuple[list[NDArray[np.float64]], Any]:
    """All that a record says: blocks, then what is known at the end."""
    record = run.open()
    blocks = list(record.blocks())
    known = (record.findings, record.provenance, record.n_samples, record.measured_rate_hz)
    opened = (record.sample_rate_hz, record.expected_samples, record.reach_hz)
    return blocks, (*known, *opened, record.slowest_logged_hz, record.zero_reading())


def require_same(run: Run, times: int = 2) -> None:
    """With the cache, filled and in use, as without."""
    blocks, known = told(replace(run, cache=None))
    assert len(blocks) > 1
    for _ in range(times):
        kept_blocks, kept_known = told(run)
        assert kept_known == known
        assert len(kept_blocks) == len(blocks)
        for kept, block in zip(kept_blocks, blocks, strict=True):
            assert kept.tobytes() == block.tobytes()


def entries(folder: Path, suffix: str = ".f64") -> list[Path]:
    """Files of the cache."""
    return sorted((folder / FOLDER).glob(f"*{suffix}"))


def refuse_to_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """From here on nothing but the cache can be read."""

    def refuse(*_: Any) -> None:
        raise AssertionError("the recording was read")

    monkeypatch.setattr(recording_cache, "open_recording", refuse)


def recording_of(run: Run) -> Recording:
    """What a run's record reads, without what works ahead of it."""
    assert run.cache is not None
    return recording_cache.open_kept(asked_by(run, run.cache))
