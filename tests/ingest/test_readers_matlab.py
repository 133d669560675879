"""MATLAB's files before 7.3: what scipy reads and writes of them, and every refusal."""

from __future__ import annotations

import struct
import tempfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray
from scipy import sparse
from scipy.io import loadmat, savemat

from ingest.errors import RecordingError
from ingest.readers import array_source
from tests.ingest.array_support import columns, read_within_bounds, recording, source
from tests.ingest.mat_files import (
    COMPLEX_FLAG,
    FUNCTION,
    LOGICAL_FLAG,
    MI,
    RAMP,
    UINT8,
    compressed,
    element,
    header,
    mat,
    matrix,
    opaque,
)

TABLE = np.random.default_rng(3).standard_normal((40, 3))


@settings(max_examples=60, deadline=None)
@given(
    arrays.arrays(
        st.sampled_from(["?", "i1", "u1", "i2", "u2", "i4", "u4", "i8", "u8", "f4", "f8"]),
        st.tuples(st.integers(2, 30), st.integers(1, 5)),
    ),
    st.sampled_from(["plain", "compressed", "4"]),
    st.booleans(),
    st.integers(1, 40),
)
def test_what_scipy_writes_is_read(
    array: NDArray[Any], kind: str, sideways: bool, block_rows: int
) -> None:
    """Any class, compressed or not, either orientation, in blocks of any length."""
    if kind == "4":  # has neither 64-bit nor signed 8-bit integers
        array = array.astype("f8") if array.dtype.str[1:] in ("i8", "u8", "u4", "i1") else array
    table = array.T if sideways else array
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(array_source, "BLOCK_ROWS", block_rows)
        path = Path(folder) / "014.mat"
        version = "4" if kind == "4" else "5"
        savemat(path, {"a": table}, format=version, do_compression=kind == "compressed")
        written = loadmat(path)["a"]
        opened = recording(path, "rows" if sideways else "columns")
        names = opened.columns
        try:
            found = np.concatenate([b.samples for b in opened.blocks(range(len(names)))], axis=1)
        except RecordingError as error:  # a channel of nothing but NaN
            assert "every sample is missing" in str(error)  # noqa: PT017
            return
    wanted = (written if sideways else written.T).astype(np.float64)
    np.testing.assert_array_equal(found, np.where(np.isinf(wanted), np.nan, wanted))
    assert names == (("a",) if len(wanted) == 1 else tuple(f"a[{n}]" for n in range(len(wanted))))


@pytest.mark.parametrize("stored", MI)
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("packed", [False, True])
def test_numbers_in_any_type(tmp_path: Path, stored: str, order: str, packed: bool) -> None:
    """Doubles that are whole numbers are stored in few bytes; a few fit into the tag."""
    elements = [
        matrix("taps", RAMP, stored, order),
        matrix("few", np.array([[1.0, 2.0]]), stored, order),
        matrix("on", RAMP[:, :1] > 4, "u1", order, UINT8, LOGICAL_FLAG),
    ]
    if packed:
        elements = [compressed(one, order) for one in elements]
    path = mat(tmp_path / "014.mat", *elements, order=order)

    read = loadmat(path)
    np.testing.assert_array_equal(columns(path, ["taps[0]", "taps[1]"]), read["taps"].T)
    np.testing.assert_array_equal(columns(path, ["few"]), read["few"])
    np.testing.assert_array_equal(columns(path, ["on"]), read["on"].T)
    assert source(path).groups == (0, 0, 1, 0)


@pytest.mark.parametrize("version", ["4", "5"])
def test_a_number_that_says_the_rate(tmp_path: Path, version: str) -> None:
    """By its name, where the arrays are equally long."""
    path = tmp_path / "014.mat"
    savemat(path, {"Fs": 2000.0, "gain": 3.0, "fz": TABLE[:, 0], "taps": TABLE}, format=version)

    assert source(path).rates_hz == (2000.0,) * 4
    assert source(path).columns == ("fz", "taps[0]", "taps[1]", "taps[2]")
    assert source(path).reader == f"MATLAB {version}"


def others() -> dict[str, Any]:
    """Variables that are no arrays of real numbers."""
    return {
        "run": {"fz": TABLE[:, 0], "cal": {"gain": 2.0}},
        "names": np.array(["fx", TABLE], dtype=object),
        "title": "run 14",
        "eig": TABLE[:, 0] + 1j,
        "mesh": sparse.eye(40).tocsc(),
        "none": np.zeros((0, 3)),
        "cube": np.ones((2, 3, 4)),
    }


WORDS = {
    "run": r"a struct stands where an array is wanted; save the channels as plain arrays, those in "
    r"a struct s with save\(file, '-struct', 's'\)",
    "run.fz": r"it stands inside the struct 'run', where no channel is looked for; save the",
    "names": r"a cell array stands where an array is wanted",
    "title": r"a text stands where an array is wanted",
    "eig": r"a complex array stands where an array is wanted",
    "mesh": r"a sparse matrix stands where an array is wanted",
    "none": r"an empty array stands where an array is wanted",
    "cube": r"the array has 3 dimensions, wanted 1 or 2",
}


@pytest.mark.parametrize("packed", [False, True])
def test_what_is_no_array_is_told_when_it_is_wanted(tmp_path: Path, packed: bool) -> None:
    """And does not stand in the way of what is."""
    path = tmp_path / "014.mat"
    savemat(path, {**others(), "fz": TABLE[:, 0]}, do_compression=packed)

    np.testing.assert_array_equal(columns(path, ["fz"]), TABLE.T[:1])
    assert set(source(path).columns) == {"fz", "run.cal", *WORDS}
    for name, words in WORDS.items():
        with pytest.raises(RecordingError, match=rf"column '{name}': {words}"):
            columns(path, [name])


def test_a_file_of_no_array(tmp_path: Path) -> None:
    """The first thing that stands there instead is named."""
    path = tmp_path / "014.mat"
    savemat(path, {"run": {"fz": TABLE[:, 0]}})

    with pytest.raises(RecordingError, match=r"no column of numbers: 'run': a struct stands"):
        recording(path)
    savemat(path, {"fs": 1000.0})
    with pytest.raises(RecordingError, match=r"the file holds no columns of numbers; name"):
        recording(path)


def test_objects_and_functions(tmp_path: Path) -> None:
    """A table is no array; what MATLAB keeps for it, without a name, is none either."""
    path = mat(
        tmp_path / "014.mat",
        opaque("log"),
        matrix("f", np.ones((1, 1)), "u1", class_=FUNCTION),
        matrix("", np.ones((1, 40)), "u1", class_=UINT8),
        element(14, b""),
        matrix("fz", RAMP, "f8"),
    )

    assert source(path).columns == ("fz[0]", "fz[1]", "log", "f")
    with pytest.raises(RecordingError, match=r"'log': an object \(a table, string, datetime or"):
        columns(path, ["log"])
    with pytest.raises(RecordingError, match=r"'f': a function handle stands where an array"):
        columns(path, ["f"])


def test_a_long_file_in_blocks(tmp_path: Path) -> None:
    """Several blocks of several channels, one behind the other in compressed data."""
    long = np.random.default_rng(5).integers(-9, 9, (150_001, 3)).astype(np.int16)
    path = tmp_path / "014.mat"
    savemat(path, {"taps": long, "fz": long[:, :1]}, do_compression=True)

    blocks = list(recording(path).blocks(["taps[2]", "fz", "taps[0]"]))
    assert [block.samples.shape[1] for block in blocks] == [65_536, 65_536, 18_929]
    samples = np.concatenate([block.samples for block in blocks], axis=1)
    np.testing.assert_array_equal(samples, long.T[[2, 0, 0]])


def test_memory_stays_bounded(tmp_path: Path) -> None:
    """Arrays of 240 MB in a file of a quarter of a megabyte."""
    path = tmp_path / "014.mat"
    savemat(path, {"taps": np.zeros((7_500_000, 4))}, do_compression=True)

    assert path.stat().st_size < 1_000_000
    assert read_within_bounds(path) == "7500000"


TAPS = matrix("taps", RAMP, "f8")
PACKED = zlib.compress(TAPS)


def head_with(at: int, value: int) -> bytes:
    """The array with one of its header's integers changed."""
    return TAPS[:at] + struct.pack("<i", value) + TAPS[at + 4 :]


@pytest.mark.parametrize(
    ("elements", "words"),
    [
        ([TAPS[:60]], r"variable 1 at byte 128: it promises 144 bytes, the file holds 52 more; co"),
        ([TAPS, TAPS[:5]], r"variable 2 at byte 280: it ends inside a tag"),
        ([TAPS, b"\x07\0\0\0\x08\0\0\0" + bytes(8)], r"an element of type 7 is no variable; copy"),
        ([b"\x0e\0\x04\0abcd"], r"an element of type 14 is no variable"),
        ([matrix("a", RAMP, "f8", order=">")], r"a tag of 3584 bytes where at most 4 have room"),
        ([head_with(8, 5)], r"variable 1 at byte 128: it does not begin as an array does"),
        ([head_with(24, 6)], r"it has no dimensions"),
        ([head_with(28, 400)], r"it has no dimensions"),
        ([head_with(32, -6)], r"the dimensions \(-6, 2\) cannot be"),
        ([head_with(32, 2**31 - 1)], r"an array 2147483647 x 2 of float64 takes \d+ bytes, 96 are"),
        ([head_with(40, 0x7FFF0001)], r"a tag of 32767 bytes where at most 4 have room"),
        ([element(14, TAPS[8:40] + element(1, b"x" * 5000))], r"the name takes 5000 bytes"),
        ([element(14, TAPS[8:44])], r"it is cut short|it ends inside a tag"),
        ([matrix("a", RAMP, "f8", stated=88)], r"6 x 2 of float64 takes 96 bytes, 88 are stated"),
        ([head_with(48, 18)], r"the numbers are of type 18, which is none of numbers"),
        ([matrix("a", RAMP, "f8", flags=COMPLEX_FLAG)], r"'a': a complex array stands where"),
        ([matrix("a", np.ones((4100, 4100)), "u1")], r"4100 x 4100 gives more than 4096 columns"),
        ([matrix("a", RAMP, "u1")] * 10_001, r"more than 10000 variables"),
        ([compressed(TAPS[:80])], r"variable 'taps': the compressed data end after 80 of 152 byt"),
        ([compressed(TAPS + TAPS)], r"hold more than the 152 bytes that are promised"),
        ([compressed(b"")], r"variable 1 at byte 128: it ends inside a tag"),
        ([compressed(bytes(800))], r"an element of type 0 is no variable"),
        ([compressed(b"\x0e\0\0\0\0\0\0\x70")], r"bytes hold no array of 1879048192 bytes"),
        ([element(15, PACKED[:-6])[:-2]], r"the file holds \d+ more"),
        ([struct.pack("<II", 15, len(PACKED) - 6) + PACKED[:-6]], r"compressed data (end|have no)"),
        ([compressed(TAPS).replace(PACKED[-4:], bytes(4))], r"data are damaged \(.*incorrect data"),
        ([compressed(TAPS).replace(PACKED[:2], b"ab")], r"compressed data are damaged \(.*header"),
    ],
)
def test_a_damaged_file(tmp_path: Path, elements: list[bytes], words: str) -> None:
    """The variable, what is wrong, and that another copy is needed."""
    path = mat(tmp_path / "014.mat", *elements)

    with pytest.raises(RecordingError, match=r"014\.mat.*" + words):
        columns(path)


def test_marks_that_contradict(tmp_path: Path) -> None:
    """A byte order that the version does not have."""
    path = tmp_path / "014.mat"
    path.write_bytes(header("<")[:124] + b"\x01\x00IM" + TAPS)

    with pytest.raises(RecordingError, match=r"header: the marks of byte order and version cont"):
        columns(path)


@pytest.mark.parametrize("order", ["<", ">"])
def test_version_4_in_either_order(tmp_path: Path, order: str) -> None:
    """Five integers, a name and the numbers."""
    mopt = 1030 if order == ">" else 30  # 16-bit integers
    path = tmp_path / "014.mat"
    integers = struct.pack(f"{order}5i", mopt, 6, 2, 0, 5)
    path.write_bytes(integers + b"taps\0" + RAMP.astype(f"{order}i2").tobytes(order="F"))

    np.testing.assert_array_equal(columns(path), loadmat(path)["taps"].T)


@pytest.mark.parametrize(
    ("cut", "words"),
    [
        (
            slice(0, -1),
            r"variable 2 at byte 343: 'title', 1 x 4, takes 4 bytes, the file holds 3 m",
        ),
        (slice(0, 360), r"variable 2 at byte 343: it does not begin as a variable does; copy"),
        (
            slice(0, 200),
            r"variable 1 at byte 0: 'fz', 40 x 1, takes 320 bytes, the file holds 17\d",
        ),
    ],
)
def test_version_4_cut_short(tmp_path: Path, cut: slice, words: str) -> None:
    """Inside a header or inside numbers; text is no array there either."""
    path = tmp_path / "014.mat"
    savemat(path, {"fz": TABLE[:, :1], "title": "long"}, format="4")

    with pytest.raises(RecordingError, match=r"'title': a text stands where an array is wanted"):
        columns(path, ["title"])
    path.write_bytes(path.read_bytes()[cut])
    with pytest.raises(RecordingError, match=words):
        columns(path)
