"""Files of samples (n, channels) that libraries write, and their reading of the whole file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd
import pyarrow as pa
from asammdf import MDF, Signal
from numpy.typing import NDArray
from pyarrow import csv, feather, parquet

from tests.benchmarks.engine import RATE_HZ

Samples = NDArray[np.float64]


def _named(samples: Samples) -> dict[str, Samples]:
    return {f"p{index:02d}": np.ascontiguousarray(row) for index, row in enumerate(samples.T)}


def write_hdf5(path: Path, samples: Samples) -> None:
    """As they come."""
    with h5py.File(path, "w") as file:
        for name, values in _named(samples).items():
            file[name] = values


def write_deflated_hdf5(path: Path, samples: Samples) -> None:
    """In chunks of the size that h5py picks."""
    with h5py.File(path, "w") as file:
        for name, values in _named(samples).items():
            file.create_dataset(name, data=values, chunks=True, compression=4, shuffle=True)


def write_hdf5_matrix(path: Path, samples: Samples) -> None:
    """One dataset."""
    with h5py.File(path, "w") as file:
        file["x"] = samples


def read_hdf5(path: Path) -> list[Any]:
    """All datasets."""
    with h5py.File(path) as file:
        return [dataset[:] for dataset in file.values()]


def write_parquet(path: Path, samples: Samples) -> None:
    """As pyarrow does unless told otherwise."""
    parquet.write_table(pa.table(_named(samples)), path)


def read_parquet(path: Path) -> list[Any]:
    """All columns."""
    return [column.to_numpy() for column in parquet.read_table(path).columns]


def write_feather(path: Path, samples: Samples) -> None:
    """As pyarrow does unless told otherwise."""
    feather.write_feather(pa.table(_named(samples)), str(path))


def read_feather(path: Path) -> list[Any]:
    """All columns."""
    return [column.to_numpy() for column in feather.read_table(str(path)).columns]


def write_mdf4(path: Path, samples: Samples, compression: int = 0) -> None:
    """One group with its time channel."""
    times = np.arange(len(samples)) / RATE_HZ
    with MDF(version="4.10") as file:
        file.append([Signal(values, times, name=name) for name, values in _named(samples).items()])
        file.save(path, compression=compression, overwrite=True)


def write_deflated_mdf4(path: Path, samples: Samples) -> None:
    """Its bytes turned, then deflated."""
    write_mdf4(path, samples, 2)


def read_mdf4(path: Path) -> list[Any]:
    """All channels of all groups."""
    with MDF(path) as file:
        places = [
            (None, group, channel)
            for group, described in enumerate(file.groups)
            for channel in range(len(described.channels))
        ]
        return [signal.samples for signal in file.select(places)]


def write_text(path: Path, samples: Samples) -> None:
    """To the microvolt, as loggers print them."""
    options = csv.WriteOptions(quoting_style="none")
    csv.write_csv(pa.table(_named(np.round(samples, 6))), path, options)


def write_comma_text(path: Path, samples: Samples) -> None:
    """The same with a decimal comma."""
    write_text(path, samples)
    path.write_bytes(path.read_bytes().translate(bytes.maketrans(b",.", b";,")))


def read_text(path: Path) -> pd.DataFrame:
    """All columns."""
    return pd.read_csv(path)


def read_comma_text(path: Path) -> pd.DataFrame:
    """All columns."""
    return pd.read_csv(path, sep=";", decimal=",")
