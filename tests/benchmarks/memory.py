"""Peak memory of a run's pass, ten times as long against once, each in a process of its own."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.benchmarks.engine import RATE_HZ as FULL_RATE_HZ
from tests.benchmarks.engine import SEGMENT_SAMPLES
from tests.benchmarks.figure import Figure
from tests.benchmarks.spectra import ANTIALIAS_HZ, write_sheets

CHANNELS = 64
# A fifth of the other benchmarks' rate, for the disk's sake, and the same share of it in the band.
RATE_HZ = 1000.0
CUTOFF_HZ = ANTIALIAS_HZ * RATE_HZ / FULL_RATE_HZ
SHORT_MIN, LONG_MIN = 10.0, 100.0
BLOCK_SAMPLES = 1 << 16
# What a process of its own does: nothing else is loaded there.
# Its peak is asked of Linux: what `resource` tells begins with the peak of whoever started it.
READ = f"""import sys
from buffet.analysis import analyse
from buffet.one_pass import AnalysisSettings
from ingest import open_campaign
settings = AnalysisSettings({RATE_HZ / SEGMENT_SAMPLES}, keeps=frozenset({{"matrix"}}))
(run,) = analyse(open_campaign(sys.argv[1]), settings=settings).runs
assert run.spectra.packed.shape[1:] == ({CHANNELS}, {CHANNELS})
(peak,) = (line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(int(peak.split()[1]) * 1024 / 1e6)
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
        _write(Path(folder), int(60 * minutes * RATE_HZ))
        command = [sys.executable, "-c", READ, folder]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
    return float(done.stdout)


def _write(folder: Path, n: int) -> None:
    """A campaign of one recording: noise as counts of 16 bits."""
    rng = np.random.default_rng(1)
    samples = np.lib.format.open_memmap(folder / "1.npy", "w+", np.int16, (n, CHANNELS))
    for start in range(0, n, BLOCK_SAMPLES):
        part = samples[start : start + BLOCK_SAMPLES]
        part[:] = 4096 * rng.standard_normal(part.shape, np.float32)
        samples.flush()
    write_sheets(folder, "1.npy", range(CHANNELS), RATE_HZ, CUTOFF_HZ)
