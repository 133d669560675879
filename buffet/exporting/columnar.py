"""Samples into HDF5 and Parquet, one column a channel."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from buffet.errors import OutputError
from buffet.exporting.sink import Header

Array = NDArray[np.float64]

# Samples of a channel kept together on disk: half a megabyte.
_CHUNK_SAMPLES = 65_536


@contextmanager
def hdf5_sink(path: Path, header: Header) -> Iterator[_Hdf5]:
    """A dataset a channel at the root, with attributes unit and measures; the rest on the file."""
    _require("h5py", "HDF5")
    import h5py

    with h5py.File(path, "w") as file:
        yield _Hdf5(file, header)


class _Hdf5:
    def __init__(self, file: Any, header: Header) -> None:
        self._file = file
        self._n = 0
        file.attrs["sample_rate_hz"] = header.sample_rate_hz
        file.attrs["run"] = header.run
        file.attrs["configuration"] = header.configuration or ""
        self._columns = []
        for channel in header.channels:
            label = channel.name.replace("/", "_")
            while label in file:  # "a/b" beside "a_b", and "." is the root itself
                label += "_"
            column = file.create_dataset(
                label,
                (0,),
                np.float64,
                maxshape=(None,),
                chunks=(_CHUNK_SAMPLES,),
                shuffle=True,
                compression="gzip",
                compression_opts=1,
            )
            column.attrs.update(name=channel.name, unit=channel.unit, measures=channel.measures)
            self._columns.append(column)

    def append(self, samples: Array) -> None:
        end = self._n + samples.shape[1]
        for column, values in zip(self._columns, samples, strict=True):
            column.resize((end,))
            column[self._n : end] = values
        self._n = end

    def close(self, provenance: str) -> None:
        self._file.attrs["provenance"] = provenance


@contextmanager
def parquet_sink(path: Path, header: Header) -> Iterator[_Parquet]:
    """A column a channel, its unit and what it measures as metadata of its field."""
    _require("pyarrow", "Parquet")
    import pyarrow as pa
    from pyarrow import parquet

    fields = [
        pa.field(c.name, pa.float64(), False, {"unit": c.unit, "measures": c.measures})
        for c in header.channels
    ]
    told = {
        "sample_rate_hz": repr(header.sample_rate_hz),
        "run": header.run,
        "configuration": header.configuration or "",
    }
    schema = pa.schema(fields, told)
    with parquet.ParquetWriter(path, schema) as writer:
        yield _Parquet(writer, schema)


class _Parquet:
    def __init__(self, writer: Any, schema: Any) -> None:
        self._writer, self._schema = writer, schema

    def append(self, samples: Array) -> None:
        import pyarrow as pa

        self._writer.write_table(pa.table(list(samples), schema=self._schema))

    def close(self, provenance: str) -> None:
        self._writer.add_key_value_metadata({"provenance": provenance})


def _require(library: str, what: str) -> None:
    if find_spec(library) is None:
        raise OutputError(
            f'{what} needs the extra: pip install "buffeting[formats]", or write .csv'
        )
