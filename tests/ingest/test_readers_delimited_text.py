"""Delimited text: one small file per quirk, with the numbers that were written into it."""

from __future__ import annotations

import gzip
import hashlib
import zipfile
from pathlib import Path

import numpy as np
import pytest

from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions, Recording

AT_1_KHZ = ClockOptions(rate_hz=1000.0)
VALUES = np.array([[0.25, -1.5, 3.0, 0.125], [10.0, 20.5, -30.0, 40.0]])  # (channels, samples)


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "014.csv"
    path.write_bytes(text.encode(encoding))
    return path


def read(recording: Recording, wanted: list[str | int]) -> np.ndarray:
    return np.concatenate([block.samples for block in recording.blocks(wanted)], axis=1)


def text_of(delimiter: str, decimal: str, header: str) -> str:
    rows = [delimiter.join(f"{value:g}".replace(".", decimal) for value in row) for row in VALUES.T]
    return header + "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("delimiter", "decimal"),
    [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), (" ", ","),
     ("   ", "."), ("|", "."), (", ", ".")],
)  # fmt: skip
def test_delimiter_and_decimal_sign_are_found(tmp_path: Path, delimiter: str, decimal: str) -> None:
    """Every usual delimiter, with either decimal sign where it can be told from the delimiter."""
    path = write(tmp_path, text_of(delimiter, decimal, delimiter.join(["fx", "fz"]) + "\n"))

    recording = open_recording(path, FileOptions(), AT_1_KHZ)

    assert recording.columns == ("fx", "fz")
    np.testing.assert_array_equal(read(recording, ["fz", "fx"]), VALUES[::-1])


def test_digest_is_of_the_bytes_on_disk_for_every_container(tmp_path: Path) -> None:
    """Plain, gzip and zip give the same samples, and each the digest of its own file."""
    plain = write(tmp_path, text_of(",", ".", "fx,fz\n"))
    zipped = tmp_path / "014.zip"
    with zipfile.ZipFile(zipped, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(plain, "../logger/014.csv")
    packed = tmp_path / "014.csv.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))

    for path in (plain, zipped, packed):
        recording = open_recording(path, FileOptions(), AT_1_KHZ)

        np.testing.assert_array_equal(read(recording, [0, 1]), VALUES)
        assert recording.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
