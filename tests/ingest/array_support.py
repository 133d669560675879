"""Reading recordings of numbers, whole or within a bound of memory, for their readers' tests."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ingest.readers import _open_source, open_recording
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions, Orientation, Recording
from tests.ingest.readers_support import AT_1_KHZ, DETECTED, read

# As the readers promise: this much, and twice the file's size.
MEMORY_BYTES = 200_000_000

_CHILD = """
import resource, sys
from pathlib import Path
from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions
path, allowed = Path(sys.argv[1]), int(sys.argv[2])
used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + allowed, used + allowed))
recording = open_recording(path, FileOptions(), ClockOptions(rate_hz=1000.0))
blocks = recording.blocks(range(len(recording.columns)))
print(sum(block.samples.shape[1] for block in blocks))
"""


def recording(path: Path, orientation: Orientation | None = None) -> Recording:
    """The recording, opened."""
    return open_recording(path, FileOptions(orientation=orientation), AT_1_KHZ)


def columns(
    path: Path, wanted: Sequence[str | int] | None = None, orientation: Orientation | None = None
) -> NDArray[np.float64]:
    """All samples (n_wanted, n) of the wanted columns, or of all."""
    return read(recording(path, orientation), wanted)


def source(path: Path) -> TableSource:
    """What the format's own reader gives, before it is a recording."""
    return _open_source(path, DETECTED)


def read_within_bounds(path: Path) -> str:
    """Rows read by a child that may take no more memory than promised, or what it said."""
    allowed = MEMORY_BYTES + 2 * path.stat().st_size
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, path, str(allowed)],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
        env={**os.environ, "MALLOC_ARENA_MAX": "1", "OPENBLAS_NUM_THREADS": "1"},
    )
    return done.stdout.strip() or done.stderr.strip().splitlines()[-1]


_PEAK = """
import sys
from pathlib import Path
from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions
def resident(name):
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith(name)).split()[1]) * 1024
before = resident("VmRSS")
recording = open_recording(Path(sys.argv[1]), FileOptions(), ClockOptions(rate_hz=1000.0))
blocks = recording.blocks(range(len(recording.columns)))
print(sum(block.samples.shape[1] for block in blocks), resident("VmHWM") - before)
"""


def read_resident(path: Path) -> tuple[int, int]:
    """Rows read by a child, and its memory in use at the most, over that of its own start.

    For libraries that set aside room which they do not use, so that its bound says nothing.
    """
    done = subprocess.run(
        [sys.executable, "-c", _PEAK, path],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    rows, peak = done.stdout.split()
    return int(rows), int(peak)
