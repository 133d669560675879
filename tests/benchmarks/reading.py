"""Readers of recordings beside the plain libraries' reading of the whole file."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.io import loadmat, savemat, wavfile

from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions
from tests.benchmarks.engine import CHANNELS, DURATION_S, RATE_HZ, seconds
from tests.benchmarks.figure import Figure
from tests.benchmarks.library_files import (
    read_comma_text,
    read_feather,
    read_hdf5,
    read_mdf4,
    read_parquet,
    read_text,
    write_comma_text,
    write_deflated_hdf5,
    write_deflated_mdf4,
    write_feather,
    write_hdf5,
    write_hdf5_matrix,
    write_mdf4,
    write_parquet,
    write_text,
)

ROUNDS = 3
# Samples as a 16-bit converter gives them in volts.
FULL_SCALE_V, COUNTS = 10.0, 1 << 15


@dataclass(frozen=True)
class Case:
    """A format: how the samples (n, channels) are written, and read whole by the library."""

    name: str
    suffix: str  # which some libraries add or go by
    write: Callable[[Path, NDArray[np.float64]], object]
    read_whole: Callable[[Path], object]
    goal: float | None = None  # of the time the library takes


def _npz_whole(path: Path) -> list[NDArray[Any]]:
    with np.load(path) as archive:
        return [archive[name] for name in archive.files]


def _write_npz(path: Path, samples: NDArray[np.float64]) -> None:
    names = (f"p{channel:02d}" for channel in range(samples.shape[1]))
    np.savez_compressed(path, **dict(zip(names, samples.T, strict=True)))


CASES = [
    Case("NumPy .npy, a row a sample", ".npy", np.save, np.load),
    Case("NumPy .npy, a row a channel", ".npy", lambda path, x: np.save(path, x.T.copy()), np.load),
    Case("NumPy .npz, deflated, an array a channel", ".npz", _write_npz, _npz_whole),
    Case("MATLAB 5, one matrix", ".mat", lambda path, x: savemat(path, {"x": x}), loadmat),
    Case(
        "MATLAB 5, one matrix, compressed",
        ".mat",
        lambda path, x: savemat(path, {"x": x}, do_compression=True),
        loadmat,
    ),
    Case(
        "WAV, 16 bits",
        ".wav",
        lambda path, x: wavfile.write(
            path, int(RATE_HZ), (x * COUNTS / FULL_SCALE_V).astype(np.int16)
        ),
        wavfile.read,
    ),
    Case("HDF5, a dataset a channel", ".h5", write_hdf5, read_hdf5),
    Case("HDF5, a dataset a channel, deflated", ".h5", write_deflated_hdf5, read_hdf5),
    Case("HDF5, one matrix, a row a sample", ".h5", write_hdf5_matrix, read_hdf5),
    Case("Parquet", ".parquet", write_parquet, read_parquet),
    Case("Feather", ".feather", write_feather, read_feather),
    Case("delimited text", ".csv", write_text, read_text, 1.6),
    Case("delimited text, decimal comma", ".csv", write_comma_text, read_comma_text, 1.6),
    Case("MDF 4", ".mf4", write_mdf4, read_mdf4),
    Case("MDF 4, deflated", ".mf4", write_deflated_mdf4, read_mdf4),
]


def reading_figures(share: float = 1.0) -> Iterator[Figure]:
    """All columns of each format through `open_recording`, SHA-256 included.

    `share` is that of the full record length; samples count as doubles.
    """
    n = int(DURATION_S * RATE_HZ * share)
    rng = np.random.default_rng(1)
    counts = (rng.standard_normal((n, CHANNELS)) * COUNTS / 8).clip(-COUNTS, COUNTS - 1)
    samples = counts.astype(np.int16) * (FULL_SCALE_V / COUNTS)
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            yield _figure(case, samples, Path(folder))


def _figure(case: Case, samples: NDArray[np.float64], folder: Path) -> Figure:
    """Time over the library's, which does not look for the file's SHA-256 as we do."""
    path = folder / f"014{case.suffix}"
    case.write(path, samples)
    rounds = [
        (
            seconds(lambda: _read(path)),
            seconds(lambda: case.read_whole(path)),
            seconds(lambda: hashlib.sha256(path.read_bytes()).digest()),
        )
        for _ in range(ROUNDS)
    ]
    own_s, library_s, sha256_s = (min(column) for column in zip(*rounds, strict=True))
    size_mb = path.stat().st_size / 1e6
    path.unlink()
    told = (
        f"{own_s:.3f} s, {size_mb / own_s:.0f} MB/s of file; the library {library_s:.3f} s, with "
        f"SHA-256 {own_s / (library_s + sha256_s):.2f} x"
    )
    ratio = own_s / library_s
    return Figure(f"reading: {case.name}, over the library", ratio, "x", case.goal, "at most", told)


def _read(path: Path) -> None:
    recording = open_recording(path, FileOptions(), ClockOptions(rate_hz=RATE_HZ))
    for _ in recording.blocks(range(len(recording.columns))):
        pass
