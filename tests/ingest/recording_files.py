"""One recording of integer counts in every format that is read, by the formats' own libraries."""

from __future__ import annotations

import gzip
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pyarrow as pa
from asammdf import MDF, Signal
from numpy.typing import NDArray
from pyarrow import feather, parquet
from scipy.io import savemat, wavfile

Counts = NDArray[np.int16]
Write = Callable[[Path, Mapping[str, Counts], int], None]


def text(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """Comma-separated, a header row."""
    path.write_bytes(_text(columns))


def text_gz(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """The same in gzip."""
    path.write_bytes(gzip.compress(_text(columns)))


def text_zip(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """The same in a zip archive."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("logger.csv", _text(columns))


def _text(columns: Mapping[str, Counts]) -> bytes:
    rows = "\n".join(",".join(map(str, row)) for row in np.array(list(columns.values())).T.tolist())
    return f"{','.join(columns)}\n{rows}\n".encode()


def npy(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """A structured array."""
    table = np.empty(len(next(iter(columns.values()))), [(name, np.int16) for name in columns])
    for name, values in columns.items():
        table[name] = values
    with open(path, "wb") as file:
        np.save(file, table)


def npz(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """An array a channel."""
    with open(path, "wb") as file:
        np.savez(file, **columns)


def npz_compressed(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """The same, deflated."""
    with open(path, "wb") as file:
        np.savez_compressed(file, **columns)


def mat5(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """A variable a channel, and the rate."""
    savemat(path, {**columns, "fs": float(rate_hz)}, appendmat=False)


def mat5_compressed(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """The same, deflated."""
    told = {**columns, "fs": float(rate_hz)}
    savemat(path, told, appendmat=False, do_compression=True, oned_as="column")


def mat73(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """HDF5 as MATLAB writes it: a user block, and variables of two dimensions, transposed."""
    with h5py.File(path, "w", userblock_size=512) as file:
        variables: dict[str, Any] = {**columns, "fs": np.array(float(rate_hz))}
        for name, values in variables.items():
            dataset = file.create_dataset(name, data=np.atleast_2d(values))
            kind = "double" if name == "fs" else "int16"
            dataset.attrs["MATLAB_class"] = np.bytes_(kind)
    header = b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(116) + bytes(8) + b"\x00\x02IM"
    with open(path, "r+b") as raw:
        raw.write(header)


def hdf5(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """A dataset a channel, chunked and deflated; the rate as an attribute of the file."""
    with h5py.File(path, "w") as file:
        file.attrs["sample_rate"] = float(rate_hz)
        for name, values in columns.items():
            file.create_dataset(name, data=values, chunks=(1000,), compression="gzip")


def hdf5_table(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """One dataset of records, big-endian."""
    table = np.empty(len(next(iter(columns.values()))), [(name, ">i2") for name in columns])
    for name, values in columns.items():
        table[name] = values
    with h5py.File(path, "w") as file:
        file.create_dataset("samples", data=table).attrs["fs"] = float(rate_hz)


def parquet_file(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """Several row groups."""
    table = pa.table(dict(columns))
    told = {"sample_rate_hz": str(rate_hz)}
    parquet.write_table(table.replace_schema_metadata(told), path, row_group_size=10_000)


def feather_file(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """Arrow's IPC file, compressed as is usual."""
    feather.write_feather(pa.table(dict(columns)), str(path))


def mdf4(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """One channel group with its time channel."""
    time_s = np.arange(len(next(iter(columns.values())))) / rate_hz
    with MDF(version="4.10") as file:
        file.append([Signal(v, time_s, name=name) for name, v in columns.items()])
        written = file.save(path.with_suffix(".mf4"), overwrite=True)
    Path(written).replace(path)


def wav(path: Path, columns: Mapping[str, Counts], rate_hz: int) -> None:
    """16-bit PCM; channels have no names."""
    wavfile.write(path, rate_hz, np.array(list(columns.values())).T)


WRITERS: tuple[Write, ...] = (
    text,
    text_gz,
    text_zip,
    npy,
    npz,
    npz_compressed,
    mat5,
    mat5_compressed,
    mat73,
    hdf5,
    hdf5_table,
    parquet_file,
    feather_file,
    mdf4,
    wav,
)
# Formats whose files state their rate as these writers write them.
STATE_THEIR_RATE: tuple[Write, ...] = (
    mat5,
    mat5_compressed,
    mat73,
    hdf5,
    hdf5_table,
    parquet_file,
    mdf4,
    wav,
)
