"""Small valid recordings to be damaged, and archives around what became of them."""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
import zlib
from pathlib import Path

import numpy as np
from scipy.io import savemat

ROWS = 50
SAMPLES = np.random.default_rng(7).standard_normal((ROWS, 3)).round(4)
COLUMNS = ("fx", "fz", "p01")


def unpacked(content: bytes) -> bytes:
    """The bytes as they are."""
    return content


def zipped(content: bytes) -> bytes:
    """An archive of one file, stored as it is, whose check sum is right."""
    return _archive("014.csv", content)


def _archive(name: str, content: bytes, compression: int = zipfile.ZIP_STORED) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", compression) as archive:
        archive.writestr(name, content)
    return packed.getvalue()


def text(folder: Path) -> Path:
    """A channel a column."""
    rows = "\n".join(",".join(f"{value:g}" for value in row) for row in SAMPLES)
    path = folder / "014.csv"
    path.write_text(",".join(COLUMNS) + "\nN,N,Pa\n" + rows + "\n")
    return path


def wide_text(folder: Path) -> Path:
    """A channel a row, of so many samples that it is found to be one."""
    path = folder / "014.csv"
    rows = zip(COLUMNS, np.tile(SAMPLES, (8, 1)).T, strict=True)
    path.write_text("\n".join(f"{name};" + ";".join(map(str, row)) for name, row in rows))
    return path


def text_in_gzip(folder: Path) -> Path:
    """Compressed."""
    path = folder / "014.csv.gz"
    path.write_bytes(gzip.compress(text(folder).read_bytes(), mtime=0))
    (folder / "014.csv").unlink()
    return path


def npy(folder: Path) -> Path:
    """A row a sample."""
    path = folder / "014.npy"
    np.save(path, SAMPLES)
    return path


def structured_npy(folder: Path) -> Path:
    """Fields of several types in a row."""
    path = folder / "014.npy"
    rows = np.zeros(ROWS, dtype=[("t", "<M8[us]"), ("fx", ">f4"), ("n", "<u2"), ("label", "S3")])
    rows["fx"] = SAMPLES[:, 0]
    np.save(path, rows[["fx", "n"]])
    return path


def fortran_npy(folder: Path) -> Path:
    """A channel behind the other."""
    path = folder / "014.npy"
    np.save(path, np.asfortranarray(SAMPLES))
    return path


def npz(folder: Path) -> Path:
    """Several arrays, deflated, and their rate."""
    path = folder / "014.npz"
    np.savez_compressed(path, fz=SAMPLES[:, 0], taps=np.asfortranarray(SAMPLES), fs=5000.0)
    return path


def in_npz(content: bytes) -> bytes:
    """An archive of one array, stored as it is, whose check sum is right."""
    return _archive("taps.npy", content)


def deflated_in_npz(content: bytes) -> bytes:
    """An archive of one array, compressed, whose check sum is right."""
    return _archive("taps.npy", content, zipfile.ZIP_DEFLATED)


def wav(folder: Path) -> Path:
    """Three bytes a sample, and a chunk before them."""
    path = folder / "014.wav"
    counts = (1e5 * SAMPLES).astype("<i4")
    data = counts.view(np.uint8).reshape(ROWS, 3, 4)[:, :, :3].tobytes()
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 3, 5000, 45_000, 9, 24)
    chunks = b"WAVE" + struct.pack("<4sI6s", b"LIST", 5, b"INFOx") + form
    chunks += struct.pack("<4sI", b"data", len(data)) + data
    path.write_bytes(struct.pack("<4sI", b"RIFF", len(chunks)) + chunks)
    return path


def mat(folder: Path) -> Path:
    """Several arrays of several types, and their rate."""
    path = folder / "014.mat"
    counts = np.arange(ROWS, dtype=np.int16)
    savemat(path, {"fs": 5000.0, "taps": SAMPLES, "n": counts, "fz": SAMPLES[:, 0]})
    return path


def compressed_mat(folder: Path) -> Path:
    """Each array compressed."""
    path = folder / "014.mat"
    savemat(path, {"taps": SAMPLES, "fz": SAMPLES[:, 0]}, do_compression=True)
    return path


def mat_of_one(folder: Path) -> Path:
    """One array."""
    path = folder / "014.mat"
    savemat(path, {"taps": SAMPLES})
    return path


def deflated_mat(content: bytes) -> bytes:
    """What follows the header as one compressed element, whose check sum is right."""
    packed = zlib.compress(content[128:])
    return content[:128] + struct.pack("<II", 15, len(packed)) + packed


def mat4(folder: Path) -> Path:
    """The version before."""
    path = folder / "014.mat"
    savemat(path, {"fs": 5000.0, "taps": SAMPLES, "fz": SAMPLES[:, 0]}, format="4")
    return path
