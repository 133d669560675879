"""Recordings that were made to do harm, each from a few kilobytes; their channel is "a"."""

from __future__ import annotations

import gzip
import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.buffet.service.intake.archives import RawZip

MIB = 2**20
SECRET = "/etc/passwd"
BOMB_MIB = 128  # what bombs unpack to, from some 130 kB


def deflated(n_mib: int, start: bytes = b"") -> bytes:
    """A zlib stream of these bytes and so many MiB of zeros, made of one packed piece repeated."""
    packer = zlib.compressobj(9)
    packed = packer.compress(start) + packer.flush(zlib.Z_FULL_FLUSH)
    packed += (packer.compress(bytes(MIB)) + packer.flush(zlib.Z_FULL_FLUSH)) * n_mib
    check = zlib.adler32(start)
    for _ in range(n_mib):
        check = zlib.adler32(bytes(MIB), check)
    return packed + packer.flush()[:-4] + struct.pack(">I", check)


class Pickled:
    """What pickle would run."""

    def __reduce__(self) -> Any:
        return (Path.touch, (Path("/tmp/buffet-was-here"),))


def _hdf5(write: Callable[[Any, Any], None], user_block: bytes = b"") -> Callable[[Path], None]:
    def make(path: Path) -> None:
        import h5py

        with h5py.File(path, "w", userblock_size=512 if user_block else 0) as file:
            write(h5py, file)
        if user_block:
            with path.open("r+b") as raw:
                raw.write(user_block)

    return make


def _external_link(h5py: Any, file: Any) -> None:
    file["a"] = h5py.ExternalLink(SECRET, "/a")


def _soft_loop(h5py: Any, file: Any) -> None:
    file["a"], file["b"] = h5py.SoftLink("/b"), h5py.SoftLink("/a")


def _group_loop(h5py: Any, file: Any) -> None:
    group = file.create_group("g")
    group["up"], group["file"] = file["/"], h5py.SoftLink("/g")


def _virtual(h5py: Any, file: Any) -> None:
    layout = h5py.VirtualLayout((100,), "f8")
    layout[:] = h5py.VirtualSource(SECRET, "a", (100,))
    file.create_virtual_dataset("a", layout)


def _external_storage(h5py: Any, file: Any) -> None:
    file.create_dataset("a", (100,), "u1", external=[(SECRET, 0, 100)])


def _huge_shape(h5py: Any, file: Any) -> None:
    file.create_dataset("a", (10**13,), "f8", chunks=(1000,), compression="gzip")


def _huge_chunk(h5py: Any, file: Any) -> None:
    file.create_dataset("a", (4 * 10**8,), "f8", chunks=(4 * 10**8,), compression="gzip")


def _deflate_bomb(h5py: Any, file: Any) -> None:
    made = file.create_dataset("a", (64 * MIB,), "f8", chunks=(64 * MIB,), compression="gzip")
    made.id.write_direct_chunk((0,), deflated(512))


def _chunk_of_more_than_stated(h5py: Any, file: Any) -> None:
    made = file.create_dataset("a", (1000,), "f8", chunks=(1000,), compression="gzip")
    made.id.write_direct_chunk((0,), deflated(600))


_MATLAB = b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(124) + b"\0\2IM"


def _npy_of_objects(path: Path) -> None:
    np.save(path, np.array([Pickled()] * 10, dtype=object), allow_pickle=True)


def _npz_of_objects(path: Path) -> None:
    np.savez(path, a=np.array([Pickled()] * 10, dtype=object))


def _npy_of_terabytes(path: Path) -> None:
    header = b"{'descr': '<f8', 'fortran_order': False, 'shape': (1000000000000,), }\n"
    path.write_bytes(b"\x93NUMPY\1\0" + struct.pack("<H", len(header)) + header + bytes(800))


def _npz_bomb(path: Path) -> None:
    header = b"{'descr': '<f8', 'fortran_order': False, 'shape': (%d, 1), }" % (BOMB_MIB * MIB // 8)
    header += b" " * (118 - len(header) - 1) + b"\n"
    start = b"\x93NUMPY\1\0" + struct.pack("<H", len(header)) + header
    crc = zlib.crc32(start)
    for _ in range(BOMB_MIB):
        crc = zlib.crc32(bytes(MIB), crc)
    packed = deflated(BOMB_MIB, start)[2:-4]  # without zlib's own header and check sum
    size = len(start) + BOMB_MIB * MIB
    RawZip().add(b"a.npy", packed=packed, size=size, crc=crc).write(path)


def _mat5_bomb(path: Path) -> None:
    head = b"MATLAB 5.0 MAT-file".ljust(124) + struct.pack("<H2s", 0x0100, b"IM")
    n = BOMB_MIB * MIB // 8
    body = struct.pack("<IIII", 6, 8, 6, 0) + struct.pack("<IIii", 5, 8, n, 1)
    body += struct.pack("<HH4s", 1, 1, b"a") + struct.pack("<II", 9, 8 * n)
    packed = deflated(BOMB_MIB, struct.pack("<II", 14, len(body) + 8 * n) + body)
    path.write_bytes(head + struct.pack("<II", 15, len(packed)) + packed)


def _arrow(write: Callable[[Any], bytes]) -> Callable[[Path], None]:
    def make(path: Path) -> None:
        import pyarrow

        path.write_bytes(write(pyarrow))

    return make


def _parquet_bomb(pyarrow: Any) -> bytes:
    import pyarrow.parquet

    sink = io.BytesIO()
    table = pyarrow.table({"a": np.zeros(16 * MIB)})
    pyarrow.parquet.write_table(table, sink, compression="zstd", row_group_size=16 * MIB)
    return sink.getvalue()


def _feather_bomb(pyarrow: Any) -> bytes:
    import pyarrow.feather

    sink = io.BytesIO()
    table = pyarrow.table({"a": np.zeros(16 * MIB)})
    pyarrow.feather.write_feather(table, sink, compression="zstd", chunksize=16 * MIB)
    return sink.getvalue()


# By run number: what makes the file, and words of its refusal; None where it may be read, as long
# as memory stays bounded.
FILES: dict[str, tuple[Callable[[Path], None], str | None]] = {
    "external-link": (_hdf5(_external_link), "a link to another file (/etc/passwd)"),
    "soft-loop": (_hdf5(_soft_loop), "a link that leads to itself"),
    "group-loop": (_hdf5(_group_loop), ""),
    "virtual": (_hdf5(_virtual), "a virtual dataset, made of other files"),
    "external-storage": (_hdf5(_external_storage), "stand in another file (/etc/passwd)"),
    "huge-shape": (_hdf5(_huge_shape), ""),
    "huge-chunk": (_hdf5(_huge_chunk), ""),
    "deflate-bomb": (_hdf5(_deflate_bomb), ""),
    "matlab-link": (_hdf5(_external_link, _MATLAB), "a link to another file (/etc/passwd)"),
    "matlab-virtual": (_hdf5(_virtual, _MATLAB), "a virtual dataset, made of other files"),
    "npy-objects": (_npy_of_objects, ""),
    "npz-objects": (_npz_of_objects, ""),
    "npy-terabytes": (_npy_of_terabytes, ""),
    "npz-bomb": (_npz_bomb, None),
    "mat5-bomb": (_mat5_bomb, None),
    "parquet-bomb": (_arrow(_parquet_bomb), None),
    "feather-bomb": (_arrow(_feather_bomb), None),
}


long_chunk = _hdf5(_chunk_of_more_than_stated)


def gzip_of(piece: bytes, n_bytes: int, path: Path, begin: bytes) -> None:
    """A gzip file of a beginning, then so many bytes of this piece alone, in many members."""
    block = piece * (16 * MIB // len(piece))
    member = gzip.compress(block, 9)
    with path.open("wb") as file:
        file.write(gzip.compress(begin))
        for _ in range(-(-n_bytes // len(block))):
            file.write(member)
