"""HDF5 files, MATLAB 7.3 files among them, through h5py."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.array_source import BLOCK_ROWS, ArraySource, Columns, block_rows
from ingest.readers.hdf5_bytes import HeapChecked
from ingest.readers.hdf5_columns import Place, placed_columns
from ingest.readers.hdf5_walk import Walk
from ingest.readers.outside_library import (
    library_call,
    load_library,
    refuse_absurd_length,
)
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

# A chunk is read and unpacked whole, with up to two copies on the way: this much in any file,
# and in a large one an eighth of its size.
_CHUNK_BYTES = 1 << 25
_CHUNK_SHARE = 8
# Of each dataset, which is enough for chunks that two blocks share; HDF5 2 takes 8 MB.
_CACHE_BYTES = 1 << 20
# Chunks longer than a block are kept from block to block, where there is room: this much and twice
# the file's size, less what two blocks of samples take. What does not fit is unpacked anew for each
# block, which is slow and bounded.
_KEPT_BYTES, _KEPT_SIZES = 96_000_000, 2
# Filters that every HDF5 library has (deflate, shuffle, Fletcher's check sum, n-bit, scale-offset)
# and h5py's own LZF; anything else would be looked for among plug-ins, which are not ours to run.
_FILTERS = {1, 2, 3, 5, 6, 32000}
_MATLAB = b"MATLAB 7.3 MAT-file"


def open_hdf5(path: Path, file: FileOptions) -> TableSource:
    """Open an HDF5 file; its columns are its datasets of numbers under their paths.

    Raises
    ------
    RecordingError
        h5py is missing, or the file is damaged or holds no dataset of numbers.
    """
    return ArraySource(path, _HDF5File(path, file), file)


class _HDF5File:
    """The datasets of one file."""

    def __init__(self, path: Path, options: FileOptions) -> None:
        self._path = path
        self._h5py = load_library(path, "an HDF5 file", "h5py")
        with open(path, "rb") as raw:
            matlab = raw.read(len(_MATLAB)) == _MATLAB
        self.reader = "MATLAB 7.3" if matlab else "HDF5"
        with library_call(path), self._opened() as file:
            placed = placed_columns(Walk(self._h5py, file).datasets(), options.orientation)
        self.columns = tuple(p.column for p in placed)
        self._places = [p.place for p in placed]

    @contextmanager
    def _opened(self) -> Iterator[Any]:
        with (
            HeapChecked(self._path) as raw,
            self._h5py.File(raw, "r", rdcc_nbytes=_CACHE_BYTES) as file,
        ):
            yield file

    @contextmanager
    def blocks(self, wanted: tuple[int, ...]) -> Iterator[Iterator[Columns]]:
        """Consecutive samples of columns of one group."""
        n = self.columns[wanted[0]].n if wanted else 0
        for index in wanted:
            refuse_absurd_length(self._path, self.columns[index].name, n)
        places = [place for index in wanted if (place := self._places[index])]
        with ExitStack() as stack:
            with library_call(self._path):
                file = stack.enter_context(self._opened())
                slabs = self._slabs(file, places)
            yield self._read(slabs, places, n)

    def _slabs(self, file: Any, places: Sequence[Place]) -> dict[str, _Slab]:
        size = self._path.stat().st_size
        slabs = {}
        for path in dict.fromkeys(place.dataset for place in places):
            dataset = file[path]
            self._check_stored(dataset, max(_CHUNK_BYTES, size // _CHUNK_SHARE))
            slabs[path] = _Slab.of(dataset, [p for p in places if p.dataset == path])
        rows = _rows_at_once(slabs.values(), places)
        room = _KEPT_BYTES + _KEPT_SIZES * size - 2 * 8 * BLOCK_ROWS * len(places)
        for path, slab in slabs.items():
            if slab.chunk > rows and slab.chunk_row_bytes <= room:
                room -= slab.chunk_row_bytes
                slabs[path] = slab.kept(self._h5py, file)
        return slabs

    def _check_stored(self, dataset: Any, limit: int) -> None:
        """Refuse what would need a plug-in, much memory, or was never written."""
        place = f"dataset {dataset.name!r}"
        plist = dataset.id.get_create_plist()
        for number in range(plist.get_nfilters()):
            code, _, _, name = plist.get_filter(number)
            if code not in _FILTERS:
                raise RecordingError(
                    self._path,
                    place,
                    f"its compression is no part of HDF5 (filter {code}, {name.decode()!r})",
                    "save it with gzip or without compression (h5repack -f GZIP=4)",
                )
        if not dataset.size:
            return
        if dataset.chunks is None:
            missing = dataset.id.get_storage_size() == 0
        else:
            chunk_bytes = math.prod(dataset.chunks) * dataset.dtype.itemsize
            if chunk_bytes > limit:
                raise RecordingError(
                    self._path,
                    place,
                    f"its chunks have {chunk_bytes >> 20} MB, too much to unpack at once",
                    f"save it in chunks below {limit >> 20} MB (h5repack -l)",
                )
            pairs = zip(dataset.shape, dataset.chunks, strict=True)
            chunks = math.prod(-(-length // chunk) for length, chunk in pairs)
            missing = dataset.id.get_num_chunks() < chunks
        if missing:
            raise RecordingError(
                self._path,
                place,
                f"part of its {dataset.shape} samples was never written",
                "shorten it to what was written, or check that the logger closed the file",
            )

    def _read(self, slabs: dict[str, _Slab], places: Sequence[Place], n: int) -> Iterator[Columns]:
        step = _rows_at_once(slabs.values(), places)
        for start in range(0, n, step):
            end = min(start + step, n)
            with library_call(self._path, f"samples {start} to {end - 1}"):
                pieces = {path: slab.piece(start, end) for path, slab in slabs.items()}
                block = [_column(pieces[p.dataset], slabs[p.dataset], p) for p in places]
            yield block


@dataclass(frozen=True)
class _Slab:
    """The part of a dataset that is read at a time."""

    dataset: Any
    axis: int  # of time
    chunk: int  # samples of one chunk along time; 1 where there are no chunks
    first: int  # wanted channels, first to last
    last: int
    fields: tuple[str, ...]

    @classmethod
    def of(cls, dataset: Any, places: Sequence[Place]) -> _Slab:
        """Of the wanted columns of one dataset."""
        axis = places[0].time_axis
        indices = [place.index or 0 for place in places]
        fields = tuple(dict.fromkeys(place.field for place in places if place.field))
        first, last = (0, 0) if fields or dataset.ndim == 1 else (min(indices), max(indices))
        chunk = dataset.chunks[axis] if dataset.chunks else 1
        return cls(dataset, axis, chunk, first, last, fields)

    @property
    def row_bytes(self) -> int:
        """Read for one sample, channels between the wanted ones among them."""
        return int(self.dataset.dtype.itemsize) * (self.last - self.first + 1)

    @property
    def chunk_row_bytes(self) -> int:
        """Of all chunks that hold the wanted channels at one time."""
        if self.dataset.ndim == 1:
            across = 1
        else:
            width = self.dataset.chunks[1 - self.axis]
            across = (self.last // width - self.first // width + 1) * width
        return int(self.chunk * across * self.dataset.dtype.itemsize)

    def kept(self, h5py: Any, file: Any) -> _Slab:
        """The same with a cache that holds one row of chunks."""
        size, name = self.chunk_row_bytes, self.dataset.name.encode()
        access = h5py.h5p.create(h5py.h5p.DATASET_ACCESS)
        # Slots: a prime far above the number of chunks in use, as the HDF5 manual advises.
        access.set_chunk_cache(10_007, max(_CACHE_BYTES, size), 1.0)
        self.dataset.id.close()  # one that is open keeps the cache it has
        dataset = h5py.Dataset(h5py.h5d.open(file.id, name, access))
        return replace(self, dataset=dataset)

    def piece(self, start: int, end: int) -> NDArray[Any]:
        """Samples [start, end), time along the last axis where there are two."""
        if self.fields:
            piece: NDArray[Any] = self.dataset.fields(list(self.fields))[start:end]
        elif self.dataset.ndim == 1:
            piece = self.dataset[start:end]
        elif self.axis == 0:
            piece = self.dataset[start:end, self.first : self.last + 1].T
        else:
            piece = self.dataset[self.first : self.last + 1, start:end]
        return piece


def _rows_at_once(slabs: Collection[_Slab], places: Sequence[Place]) -> int:
    """Samples of a block: whole chunks, if a block may be as long as that."""
    rows = block_rows(max(8 * len(places), sum(slab.row_bytes for slab in slabs)))
    chunk = max((slab.chunk for slab in slabs if slab.chunk <= rows), default=1)
    return rows // chunk * chunk


def _column(piece: NDArray[Any], slab: _Slab, place: Place) -> NDArray[Any]:
    values = piece[place.field] if place.field else piece
    if values.ndim == 2:
        index = place.index or 0
        values = values[:, index] if place.field else values[index - slab.first]
    return values if place.scaling is None else place.scaling.applied(values)
