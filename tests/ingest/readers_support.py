"""Writing and reading small text recordings for the readers' tests."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions, Recording

AT_1_KHZ = ClockOptions(rate_hz=1000.0)
DETECTED = FileOptions()


def write(folder: Path, text: str, encoding: str = "utf-8", name: str = "014.csv") -> Path:
    """A recording with exactly this text."""
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def opened(
    folder: Path,
    text: str,
    clock: ClockOptions = AT_1_KHZ,
    file: FileOptions = DETECTED,
    encoding: str = "utf-8",
) -> Recording:
    """The recording of a text, opened."""
    return open_recording(write(folder, text, encoding), file, clock)


def read(recording: Recording, wanted: Sequence[str | int] | None = None) -> NDArray[np.float64]:
    """All samples (n_wanted, n) of the wanted columns, or of all."""
    columns = range(len(recording.columns)) if wanted is None else wanted
    blocks = [block.samples for block in recording.blocks(list(columns))]
    return np.concatenate(blocks, axis=1)
