"""Peak memory of a run's pass, ten times as long against once, each in a process of its own."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.benchmarks.campaigns import Size, write_campaign
from tests.benchmarks.engine import RATE_HZ, SEGMENT_SAMPLES
from tests.benchmarks.figure import Figure
from tests.benchmarks.peak import peak_mb

CHANNELS = 64
SHORT_MIN, LONG_MIN = 10.0, 100.0
# What a process of its own does: nothing else is loaded there.
READ = f"""import sys
from buffet.analysis import analyse
from buffet.one_pass import AnalysisSettings
from ingest import open_campaign
settings = AnalysisSettings({RATE_HZ / SEGMENT_SAMPLES}, keeps=frozenset({{"matrix"}}))
(run,) = analyse(open_campaign(sys.argv[1]), settings=settings).runs
assert run.spectra.packed.shape[1:] == ({CHANNELS}, {CHANNELS})
"""
GOAL_MB, GOAL_GROWTH = 600.0, 1.10


def memory_figures(share: float = 1.0) -> list[Figure]:
    """With the upper triangle of the matrix; `share` is that of both lengths."""
    short_mb, long_mb = (_peak_mb(minutes * share) for minutes in (SHORT_MIN, LONG_MIN))
    what = f"peak memory, {CHANNELS} channels and their matrix, {LONG_MIN:.0f} min"
    beside = f"{SHORT_MIN:.0f} min: {short_mb:.0f} MB"
    return [
        Figure(what, long_mb, "MB", GOAL_MB, "at most", beside),
        Figure("the same over that of a tenth", long_mb / short_mb, "x", GOAL_GROWTH, "at most"),
    ]


def _peak_mb(minutes: float) -> float:
    with tempfile.TemporaryDirectory() as folder:
        size = Size(CHANNELS, 60 * minutes, RATE_HZ)
        return peak_mb(READ, str(write_campaign(Path(folder), size)))
