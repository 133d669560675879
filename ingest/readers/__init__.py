"""Readers of recordings: each says whether a file is its own, by content, and opens it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib import import_module
from pathlib import Path
from typing import NamedTuple

from ingest.errors import RecordingError
from ingest.readers.beginning import Beginning
from ingest.readers.binary_signatures import is_arrow, is_hdf5, is_mdf, is_parquet
from ingest.readers.joined import JoinedSource
from ingest.readers.matlab import is_mat5
from ingest.readers.matlab4 import is_mat4
from ingest.readers.npz_members import is_npz
from ingest.readers.table_recording import TableRecording
from ingest.readers.tables import TableSource
from ingest.readers.text_head import is_text
from ingest.readers.wav import is_wav
from ingest.recording import ClockOptions, FileOptions, Recording


class _Reader(NamedTuple):
    """A format: how its files begin, and where the function stands that opens them.

    Opened by name, so that no format's library loads before a file of that format is met.
    """

    takes: Callable[[Beginning], bool]
    opened_by: str  # "module:function", of (Path, FileOptions) to a TableSource


# Asked in this order; text comes last because it is recognised by what it does not contain.
_READERS: tuple[_Reader, ...] = (
    _Reader(lambda file: file.raw.startswith(b"\x93NUMPY"), "numpy_arrays:open_npy"),
    _Reader(is_npz, "numpy_arrays:open_npz"),
    _Reader(lambda file: is_wav(file.raw), "wav:open_wav"),
    _Reader(lambda file: is_mat5(file.raw), "matlab:open_mat5"),
    _Reader(lambda file: is_mat4(file.raw), "matlab4:open_mat4"),
    _Reader(is_hdf5, "hdf5:open_hdf5"),
    _Reader(is_parquet, "parquet:open_parquet"),
    _Reader(is_arrow, "arrow:open_arrow"),
    _Reader(is_mdf, "mdf4:open_mdf4"),
    _Reader(lambda file: is_text(file.content), "delimited_text:open_text"),
)


def open_recording(
    path: Path | Sequence[Path],
    file: FileOptions,
    clock: ClockOptions,
    wanted: Sequence[str | int] | None = None,
) -> Recording:
    """Open a recording with the reader whose content it is; reads its beginning only.

    Several files are joined in the order given. `wanted` are the columns it is opened for, where
    not all: the fastest of them gives the sample rate where the file states several.

    Raises
    ------
    RecordingError
        No reader takes a file, or the one that does finds it damaged or not as stated.
    """
    paths = [path] if isinstance(path, Path) else list(path)
    sources = [_open_source(one, file) for one in paths]
    source = sources[0] if len(sources) == 1 else JoinedSource(paths, sources)
    return TableRecording(paths[0], source, clock, wanted)


def _open_source(path: Path, file: FileOptions) -> TableSource:
    beginning = Beginning(path)
    for reader in _READERS:
        if reader.takes(beginning):
            module, function = reader.opened_by.split(":")
            opened: TableSource = getattr(import_module(f"{__name__}.{module}"), function)(
                path, file
            )
            return opened
    raise RecordingError(
        path,
        "",
        f"no reader knows this content (it begins with {beginning.content[:8].hex(' ')})",
        "wanted delimited text (plain, gzip or zip), .npy, .npz, .mat, .wav, HDF5, Parquet, "
        "Feather or MDF 4; unpack what is packed, or export the recording anew",
    )
