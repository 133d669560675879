"""Small valid recordings that libraries write, to be damaged; each imports its own when called."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from tests.ingest.fuzz_files import COLUMNS, SAMPLES
from tests.ingest.mdf4_files import Mdf4

RECORDS = SAMPLES.astype("<f8").tobytes()


def hdf5(folder: Path) -> Path:
    """As it comes, and packed with check sums; two columns of an array, and a rate."""
    import h5py

    path = folder / "014.h5"
    with h5py.File(path, "w") as file:
        file["run/fz"] = SAMPLES[:, 1]
        file["run/fz"].attrs["unit"] = "N"
        options = {"chunks": (20, 1), "compression": "gzip", "shuffle": True, "fletcher32": True}
        file.create_dataset("run/taps", data=SAMPLES[:, :2], **options)
        file["run"].attrs["fs"] = 5000.0
    return path


def hdf5_table(folder: Path) -> Path:
    """A table, with the newer layout of the library's files, under check sums."""
    import h5py

    path = folder / "014.h5"
    rows = np.zeros(len(SAMPLES), [("t", "<f8"), ("fz", ">f4"), ("p", "<i2", (2,))])
    rows["fz"] = SAMPLES[:, 1]
    with h5py.File(path, "w", libver="latest") as file:
        file.create_dataset("log", data=rows, chunks=(16,))
    return path


def matlab_73(folder: Path) -> Path:
    """With MATLAB's own block before the HDF5 file."""
    import h5py

    path = folder / "014.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        data = file.create_dataset("taps", data=SAMPLES.T, chunks=(3, 50), compression=3)
        data.attrs["MATLAB_class"] = np.bytes_("double")
    with open(path, "r+b") as raw:
        raw.write(b"MATLAB 7.3 MAT-file, Platform: test".ljust(124) + b"\0\2IM")
    return path


def parquet(folder: Path) -> Path:
    """Two row groups with check sums, a column with gaps."""
    import pyarrow.parquet

    path = folder / "014.parquet"
    options: dict[str, Any] = {"row_group_size": 30, "write_page_checksum": True}
    pyarrow.parquet.write_table(_table(), path, **options)
    return path


def feather(folder: Path) -> Path:
    """Compressed, in two batches."""
    import pyarrow.feather

    path = folder / "014.feather"
    pyarrow.feather.write_feather(_table(), str(path), chunksize=30)
    return path


def arrow_stream(folder: Path) -> Path:
    """As it comes, in two batches."""
    import pyarrow

    path = folder / "014.arrows"
    table = _table()
    with pyarrow.ipc.new_stream(str(path), table.schema) as writer:
        writer.write_table(table, max_chunksize=30)
    return path


def _table() -> Any:
    import pyarrow

    columns = {name: pyarrow.array(SAMPLES[:, i]) for i, name in enumerate(COLUMNS)}
    counts = np.arange(len(SAMPLES)) % 5
    columns["n"] = pyarrow.array(counts, pyarrow.int16(), mask=counts == 3)
    columns["level"] = pyarrow.array(counts / 2).dictionary_encode()
    return pyarrow.table(columns)


def mdf4(folder: Path) -> Path:
    """A list of blocks as they come; a rule, and invalid values."""
    file = Mdf4()
    rows = np.zeros((len(SAMPLES), 20), np.uint8)
    rows[:, :16] = SAMPLES[:, :2].astype("<f8").view(np.uint8)
    rows[:, 16:18] = np.arange(len(SAMPLES), dtype="<i2").view(np.uint8).reshape(-1, 2)
    rows[::7, 19] = 2
    rule = file.conversion(1, (3.0, 0.5), "Pa")
    last = file.channel("p01", 16, 12, 2, rule=rule, shift=2, flags=2, invalid_bit=1)
    first = file.channel("fx", 0, follows=file.channel("fz", 8, follows=last), unit=file.text("N"))
    blocks = [file.block("DT", (), rows[start : start + 20].tobytes()) for start in (0, 20, 40)]
    group = file.group(first, len(SAMPLES), 19, invalid_bytes=1)
    data = file.block("DL", (0, *blocks), bytes(24))
    return file.save(folder / "014.mf4", file.data_group(group, data))


def mdf4_packed(folder: Path) -> Path:
    """A compressed block, its bytes turned, of the records of two groups."""
    file = Mdf4()
    content = b"".join(b"\1" + row.astype("<f8").tobytes() + b"\2\7" for row in SAMPLES)
    follows = 0
    for place in (2, 1, 0):
        follows = file.channel(COLUMNS[place], 8 * place, follows=follows)
    other = file.group(0, len(SAMPLES), 1, record_id=2)
    group = file.group(follows, len(SAMPLES), 24, record_id=1, follows=other)
    packed = file.zipped(np.frombuffer(content, np.uint8).reshape(-1, 27).T.tobytes(), 27)
    data = file.block("HL", (file.block("DL", (0, packed), bytes(16)),), bytes(8))
    return file.save(folder / "014.mf4", file.data_group(group, data, id_bytes=1))
