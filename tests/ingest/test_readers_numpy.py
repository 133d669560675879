"""NumPy's files: every type, order and compression as numpy gives it back, and every refusal."""

from __future__ import annotations

import hashlib
import io
import struct
import tempfile
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers import array_source, open_recording
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.array_support import columns, read_within_bounds, recording, source

TABLE = np.random.default_rng(3).standard_normal((40, 3))
TYPES = ["?", "i1", "u1", "f2", "g"] + [
    order + kind for order in "<>" for kind in ("i2", "u2", "i4", "u4", "i8", "u8", "f4", "f8")
]


def npy(folder: Path, array: Any, **options: Any) -> Path:
    """A file of one array."""
    path = folder / "014.dat"
    with path.open("wb") as file:
        np.lib.format.write_array(file, array, **options)
    return path


def npz(folder: Path, compressed: bool = False, **named: Any) -> Path:
    """A file of several arrays."""
    path = folder / "014.npz"
    (np.savez_compressed if compressed else np.savez)(path, **named)
    return path


def test_a_marker_of_missing_samples_is_meant_as_it_is_stored(tmp_path: Path) -> None:
    """In single precision 999.999 is 999.9990234375 (IEEE 754); messages give 9 digits of it."""
    path = npy(tmp_path, np.array([[999.999, 1.0], [2.0, 999.0]], np.float32))

    for marker in ("999.999", "999.999023"):
        options = FileOptions(missing=(marker,))
        (block,) = open_recording(path, options, ClockOptions(rate_hz=100.0)).blocks([0, 1])
        assert np.isnan(block.samples).tolist() == [[True, False], [False, False]]


@pytest.mark.parametrize(
    ("array", "orientation", "channels"),
    [
        (TABLE, None, TABLE.T),
        (TABLE.T, None, TABLE.T),
        (TABLE[:3], None, TABLE[:3].T),  # square: time runs down
        (TABLE[:2], "columns", TABLE[:2].T),
        (TABLE.T[:, :2], "rows", TABLE.T[:, :2]),
    ],
)
@pytest.mark.parametrize("order", [np.ascontiguousarray, np.asfortranarray])
def test_a_table_in_either_order(
    tmp_path: Path,
    array: NDArray[Any],
    orientation: Any,
    channels: NDArray[Any],
    order: Callable[..., NDArray[Any]],
) -> None:
    """A column a channel, named by its index; the longer axis is time unless stated."""
    path = npy(tmp_path, order(array))

    assert recording(path, orientation).columns == ("0", "1", "2")
    np.testing.assert_array_equal(columns(path, orientation=orientation), channels)
    np.testing.assert_array_equal(columns(path, ["2", 0], orientation), channels[[2, 0]])


@pytest.mark.parametrize("code", TYPES)
def test_every_type_of_number(tmp_path: Path, code: str) -> None:
    """As numpy itself converts it to a double."""
    array = np.array([0, 1, 1, 0, 1, 3, 100]).astype(code)
    if array.dtype.kind in "iu":
        array[:2] = np.iinfo(array.dtype).min, np.iinfo(array.dtype).max

    np.testing.assert_array_equal(columns(npy(tmp_path, array)), [array.astype(np.float64)])


@pytest.mark.parametrize("version", [(1, 0), (2, 0), (3, 0)])
def test_a_structured_array(tmp_path: Path, version: tuple[int, int]) -> None:
    """Fields that are numbers are columns; a moment can be the time column."""
    rows = np.zeros(5, np.dtype([("t", "M8[us]"), ("fx", ">f4"), ("tag", "U3"), ("n", "i2")], True))
    rows["t"] = np.datetime64("2026-03-02T10:14:00", "us") + 10_000 * np.arange(5)
    rows["fx"], rows["n"] = np.arange(5) / 4, -np.arange(5)
    path = npy(tmp_path, rows, version=version)

    by_time = open_recording(path, FileOptions(), ClockOptions(time_column="t"))
    assert by_time.columns == ("t", "fx", "n")
    assert by_time.rate_hz == 100.0
    (block,) = by_time.blocks(["n", "fx"])
    np.testing.assert_array_equal(block.samples, [rows["n"], rows["fx"]])
    np.testing.assert_allclose(block.time_s, 0.01 * np.arange(5))  # type: ignore[arg-type]
    assert source(path).clocks == (0,)
    with pytest.raises(RecordingError, match=r"'t': it holds moments, not samples; name it as"):
        columns(path, ["fx", "t"])


def test_names_outside_latin_1(tmp_path: Path) -> None:
    """The third version of the format has them in UTF-8."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # numpy warns that older ones do not read it
        path = npy(tmp_path, np.ones(3, dtype=[("Δp", "f8")]))

    assert recording(path).columns == ("Δp",)


@pytest.mark.parametrize("compressed", [False, True])
def test_an_archive(tmp_path: Path, compressed: bool) -> None:
    """Arrays by their names, two-dimensional ones by index too; groups by length."""
    taps = np.asfortranarray(TABLE)
    log = np.array([(1, 2.5), (3, 4.5)], dtype=[("n", "i4"), ("u", "f8")])
    named = {"fz": TABLE[:, 1], "taps": taps, "row": TABLE[:, :1].T, "log": log}
    path = npz(tmp_path, compressed, **named)

    opened = source(path)
    assert opened.columns == ("fz", "taps[0]", "taps[1]", "taps[2]", "row", "log.n", "log.u")
    assert opened.groups == (0, 0, 0, 0, 0, 1, 1)
    assert [opened.rows(index) for index in (0, 6)] == [40, 2]
    np.testing.assert_array_equal(columns(path, ["taps[1]", "row", "fz"]), TABLE.T[[1, 0, 1]])
    np.testing.assert_array_equal(columns(path, ["log.u", "log.n"]), [[2.5, 4.5], [1, 3]])


@pytest.mark.parametrize(
    ("named", "rate_hz"),
    [
        ({"fs": 2000}, 2000.0),
        ({"Fs": np.array([[2e3]])}, 2000.0),
        ({"sample_rate_Hz": np.float32(2e3)}, 2000.0),
        ({"dt": 0.5e-3}, 2000.0),
        ({"Ts_s": 0.5e-3, "fs": 2000.0}, 2000.0),
        ({"dt": 0.5e-3, "fs": 1000.0}, None),
        ({"dt": 0.0}, None),
        ({"fs": -1.0}, None),
        ({"gain": 2000.0}, None),
        ({"fs": 2000.0, "slow": np.ones(4)}, None),
    ],
)
def test_a_number_that_says_the_rate(tmp_path: Path, named: Any, rate_hz: float | None) -> None:
    """By its name, and only where it is one rate for arrays of one length."""
    opened = source(npz(tmp_path, x=TABLE[:, 0], y=TABLE[:, 1], **named))

    assert set(opened.rates_hz) == {rate_hz}
    assert opened.columns[:2] == ("x", "y")


@settings(max_examples=60, deadline=None)
@given(
    arrays.arrays(
        arrays.integer_dtypes() | arrays.unsigned_integer_dtypes() | arrays.floating_dtypes(),
        st.tuples(st.integers(2, 30), st.integers(1, 5)),
    ),
    st.sampled_from(["npy", "npz", "deflated"]),
    st.booleans(),
    st.integers(1, 40),
)
def test_what_numpy_writes_is_read(
    array: NDArray[Any], kind: str, fortran: bool, block_rows: int
) -> None:
    """Any type, order, shape and compression, in blocks of any length."""
    array = np.asfortranarray(array) if fortran else array
    with tempfile.TemporaryDirectory() as name, pytest.MonkeyPatch.context() as patch:
        patch.setattr(array_source, "BLOCK_ROWS", block_rows)
        folder = Path(name)
        path = npy(folder, array) if kind == "npy" else npz(folder, kind == "deflated", a=array)
        found = []
        opened = recording(path, "columns")
        try:
            found = [block.samples for block in opened.blocks(range(len(opened.columns)))]
        except RecordingError as error:  # a channel of nothing but NaN
            assert "every sample is missing" in str(error)  # noqa: PT017
            return
    wanted = array.reshape(-1, 1) if 1 in array.shape else array
    with np.errstate(over="ignore"):
        wanted = wanted.T.astype(np.float64)
    np.testing.assert_array_equal(
        np.concatenate(found, axis=1), np.where(np.isinf(wanted), np.nan, wanted)
    )


def test_a_long_file_in_blocks(tmp_path: Path) -> None:
    """Several blocks, of several arrays side by side."""
    long = np.random.default_rng(5).integers(-9, 9, (150_001, 2)).astype(np.int16)
    path = npz(tmp_path, True, taps=np.asfortranarray(long), rows=long, fz=long[:, 0])

    opened = recording(path)
    blocks = list(opened.blocks(["rows[1]", "taps[1]", "taps[0]", "fz"]))
    assert [block.samples.shape[1] for block in blocks] == [65_536, 65_536, 18_929]
    samples = np.concatenate([block.samples for block in blocks], axis=1)
    np.testing.assert_array_equal(samples, long.T[[1, 1, 0, 0]])
    assert opened.sha256 == (hashlib.sha256(path.read_bytes()).hexdigest(),)


@pytest.mark.parametrize("order", ["C", "F"])
def test_memory_stays_bounded(tmp_path: Path, order: Any) -> None:
    """Arrays of 240 MB in a file of a quarter of a megabyte."""
    path = npz(tmp_path, True, taps=np.zeros((7_500_000, 4), order=order))

    assert path.stat().st_size < 1_000_000
    assert read_within_bounds(path) == "7500000"


@pytest.mark.parametrize(
    ("array", "words"),
    [
        (np.float64(3.0), r"the array has 0 dimensions, wanted 1 or 2; save the channels as plain"),
        (np.ones((2, 3, 4)), r"the array has 3 dimensions"),
        (np.ones((0, 3)), r"the array is empty; check that the logger has saved it"),
        (np.ones(3, "c16"), r"the numbers are complex; save the channels as plain real arrays"),
        (np.array(["a", "b"]), r"the type <U1 is no number"),
        (np.array([1, "a"], "O"), r"it holds Python objects, which are never loaded"),
        (np.zeros(3, [("a", "f4"), ("b", "O")]), r"it holds Python objects"),
        (np.zeros(3, [("a", "S4")]), r"no field of the structured array is a number"),
        (np.zeros((2, 2), [("a", "f4")]), r"a structured array of two dimensions"),
        (np.zeros((4100, 4100), "?"), r"the shape 4100 x 4100 gives more than 4096 columns; state"),
        (np.zeros(2, [("a", "S2000000"), ("b", "f4")]), r"a row takes 2000004 bytes, at most"),
    ],
)
def test_an_array_that_is_no_recording(tmp_path: Path, array: Any, words: str) -> None:
    """What it is, and how to save the channels instead; in an archive, when it is asked for."""
    with pytest.raises(RecordingError, match=r"014\.dat: " + words):
        columns(npy(tmp_path, array))
    if (
        "structured" not in words
        and "row" not in words
        and "columns" not in words
        and np.ndim(array)
    ):
        path = npz(tmp_path, fz=TABLE[:, 0], other=array)
        assert columns(path, ["fz"]).shape == (1, 40)
        with pytest.raises(RecordingError, match=r"column 'other': " + words):
            columns(path, ["other"])
        with pytest.raises(RecordingError, match=r"no column of numbers: 'other': " + words):
            recording(npz(tmp_path, other=array))


def with_header(text: str, data: bytes = b"", length: int | None = None) -> bytes:
    """A file with exactly this header."""
    size = len(text) if length is None else length
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", size) + text.encode("latin-1") + data


HEADER = "{'descr': '<f8', 'fortran_order': False, 'shape': (%s), }\n"


def test_a_header_of_python_2(tmp_path: Path) -> None:
    """Sizes with an L."""
    path = tmp_path / "014.npy"
    path.write_bytes(with_header(HEADER % "2L,", TABLE[:2, 0].tobytes()))

    np.testing.assert_array_equal(columns(path), [TABLE[:2, 0]])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (
            with_header(HEADER % "3,", bytes(16)),
            r"an array 3 of type float64 takes 9\d bytes, there",
        ),
        (with_header(HEADER % "1,", bytes(16)), r"takes 7\d bytes, there are 8\d; copy the file"),
        (with_header(HEADER % f"{2**62}, {2**62}"), r"an array 4\d+ x 4\d+ of type float64 takes"),
        (with_header(HEADER % "-1,"), r"the header is damaged \(the shape \(-1,\) has a size"),
        (with_header(HEADER % "2.0,"), r"the header is damaged"),
        (with_header(HEADER % "1," * 65), r"the header is damaged"),
        (with_header("(" * 3000), r"the header is damaged"),
        (with_header("__import__('os').getcwd()"), r"the header is damaged \(malformed node"),
        (with_header("{'descr': '<f8'}"), r"damaged \(wanted descr, fortran_order and shape\)"),
        (with_header(HEADER.replace("<f8", "<q9") % "1,"), r"damaged \('<q9' is no type\)"),
        (with_header(HEADER.replace("<f8", "<f7") % "1,"), r"the header is damaged"),
        (with_header(HEADER, length=60_000), r"the header is damaged \(it is cut short\)"),
        (b"\x93NUMPY", r"it does not begin as a NumPy array does"),
        (b"\x93NUMPY\x09\x00" + bytes(20), r"version 9 of \.npy is unknown; write it with numpy"),
        (b"\x93NUMPY\x02\x00\xff\xff\xff\x7f", r"the header says it takes 2147483659 bytes"),
    ],
)
def test_a_damaged_array(tmp_path: Path, content: bytes, words: str) -> None:
    """Cut short, too long, or with a header that is none."""
    path = tmp_path / "014.npy"
    path.write_bytes(content)

    with pytest.raises(RecordingError, match=r"014\.npy: .*" + words):
        columns(path)


def archive(folder: Path, method: int = zipfile.ZIP_DEFLATED, fortran: bool = False) -> Path:
    """An archive of one array."""
    path = folder / "014.npz"
    held = io.BytesIO()
    np.save(held, np.asfortranarray(TABLE) if fortran else TABLE)
    with zipfile.ZipFile(path, "w", method) as packed:
        packed.writestr("taps.npy", held.getvalue())
    return path


def patched(path: Path, signature: bytes, offset: int, value: bytes) -> Path:
    """The file with bytes changed at an offset from a record's signature."""
    raw = bytearray(path.read_bytes())
    at = raw.index(signature) + offset
    raw[at : at + len(value)] = value
    path.write_bytes(raw)
    return path


DIRECTORY, LOCAL = b"PK\x01\x02", b"PK\x03\x04"


@pytest.mark.parametrize(
    ("signature", "offset", "value", "words"),
    [
        (DIRECTORY, 8, b"\x01", r"array 'taps': it is encrypted; pack it without a password"),
        (DIRECTORY, 10, b"\x0c", r"compressed with method 12, neither stored nor deflated; write"),
        (DIRECTORY, 16, b"\0\0\0\0", r"array 'taps': the data do not have the check sum \(CRC\)"),
        (DIRECTORY, 20, b"\x10\0\0\0", r"promises 1088 bytes in 16 at byte|it does not begin as"),
        (DIRECTORY, 20, b"\xf0\xff\0\0", r"the archive promises 1088 bytes in 65520 at byte 38"),
        (DIRECTORY, 24, b"\xff\xff\xff\x7e", r"promises 2130706431 bytes in \d+ at byte 38, which"),
        (DIRECTORY, 24, b"\x00\x05\0\0", r"takes 1088 bytes, there are 1280|promises 1280 bytes"),
        (DIRECTORY, 42, b"\x05", r"array 'taps': it does not stand where the archive's directory"),
        (LOCAL, 48, b"NUMPZ", r"the header is damaged|compressed data are damaged"),
        (LOCAL, 400, b"\x55\xaa\x55", r"compressed data are damaged|do not have the check sum"),
    ],
)
@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("fortran", [False, True])
def test_a_damaged_archive(
    tmp_path: Path,
    signature: bytes,
    offset: int,
    value: bytes,
    words: str,
    method: int,
    fortran: bool,
) -> None:
    """Encrypted, of other sizes than promised, or with a check sum that is not the data's."""
    path = patched(archive(tmp_path, method, fortran), signature, offset, value)

    with pytest.raises(RecordingError, match=words):
        columns(path)


def test_more_data_than_promised(tmp_path: Path) -> None:
    """A bomb: a header of a few samples before data without end."""
    path = tmp_path / "014.npz"
    held = io.BytesIO()
    np.save(held, TABLE)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("taps.npy", held.getvalue() + bytes(220_000_000))
    patched(path, DIRECTORY, 24, struct.pack("<I", len(held.getvalue())))

    assert "the compressed data hold more than the 1088 bytes" in read_within_bounds(path)


def test_a_huge_directory(tmp_path: Path) -> None:
    """Members by the ten thousand would fill the memory with their names alone."""
    path = tmp_path / "014.npz"
    with zipfile.ZipFile(path, "w") as packed:
        for n in range(800):
            packed.writestr(f"{n}{'x' * 5000}.npy", b"")

    with pytest.raises(RecordingError, match=r"the archive's directory takes 40\d+ bytes; pack"):
        columns(path)


def test_an_archive_of_other_files_too(tmp_path: Path) -> None:
    """That is no NumPy archive, and not one text either."""
    path = archive(tmp_path)
    with zipfile.ZipFile(path, "a") as packed:
        packed.writestr("readme.txt", "taps")

    with pytest.raises(RecordingError, match=r"holds 2 files \(taps\.npy, readme\.txt\); pack"):
        columns(path)
