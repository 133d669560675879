"""HDF5 recordings: each quirk in a file of its own, the same samples as h5py gives."""

from __future__ import annotations

import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from ingest.errors import RecordingError
from ingest.readers import open_recording
from ingest.recording import FileOptions
from tests.ingest.array_support import columns, read_within_bounds, recording, source
from tests.ingest.readers_support import AT_1_KHZ, read

N = 150_000  # three blocks, the last one cut
RNG = np.random.default_rng(7)


def written(folder: Path, fill: Callable[[h5py.File], Any]) -> Path:
    """A file filled by a function."""
    path = folder / "014.h5"
    with h5py.File(path, "w") as file:
        fill(file)
    return path


def test_datasets_without_samples(tmp_path: Path) -> None:
    """Are told as such."""
    path = written(tmp_path, lambda file: file.create_dataset("fz", (0,), "f8"))

    with pytest.raises(RecordingError, match="the recording holds no samples"):
        columns(path, ["fz"])


def test_datasets_are_columns_under_their_paths(tmp_path: Path) -> None:
    """With unit and rate; those of one group, length and rate share their times."""

    def fill(file: h5py.File) -> None:
        file["run/fz"] = np.arange(6.0)
        file["run/fz"].attrs["unit"] = "N"
        file["run/p07"] = np.arange(6, dtype=np.int16)
        file["run/p07"].attrs["units"] = np.array([b"Pa"])
        file["run/time"] = np.arange(6) / 50
        file["run/slow"] = np.arange(3.0)
        file["run/other/p"] = np.arange(6.0)
        file["run"].attrs["sample_rate"] = 50.0
        file["run/other"].attrs["dt"] = "0.01"
        file["setting"] = 3.0  # one number is no channel

    path = written(tmp_path, fill)
    found = source(path)

    assert found.reader == "HDF5"
    assert found.columns == ("run/fz", "run/other/p", "run/p07", "run/slow", "run/time")
    assert found.units == ("N", "", "Pa", "", "")
    assert found.rates_hz == (50.0, 50.0, 50.0, 50.0, None)
    assert found.groups[0] == found.groups[2] == found.groups[4]
    assert len(set(found.groups)) == 3
    assert found.clocks == (4,)
    assert columns(path, ["run/p07", "run/fz"]).tolist() == [[*range(6)], [*range(6)]]


@pytest.mark.parametrize(
    "stored",
    [
        np.array([1, -2, 300], ">i2"),
        np.array([1, 2, 2**40], "<u8"),
        np.array([1.5, -2.5, 1e30], ">f4"),
        np.array([1.5, -2.5, 1e4], "<f2"),
        np.array([True, False, True]),
        np.array([1.5, 2.5, 3.5], np.longdouble),
        np.array([0, 1, 0], h5py.enum_dtype({"off": 0, "on": 1}, "i1")),
    ],
    ids=lambda stored: str(stored.dtype),
)
def test_numbers_of_all_kinds(tmp_path: Path, stored: Any) -> None:
    """Both byte orders, half to extended precision, booleans, enumerations."""
    path = written(tmp_path, lambda file: file.create_dataset("p", data=stored))

    assert columns(path).tolist() == [stored.astype(float).tolist()]


@pytest.mark.parametrize(
    ("shape", "orientation", "names", "last"),
    [
        ((5, 2), None, ["data[0]", "data[1]"], [1, 3, 5, 7, 9]),
        ((2, 5), None, ["data[0]", "data[1]"], [5, 6, 7, 8, 9]),
        ((2, 5), "columns", [f"data[{i}]" for i in range(5)], [4, 9]),
        ((5, 2), "rows", [f"data[{i}]" for i in range(5)], [8, 9]),
        ((2, 2), None, ["data[0]", "data[1]"], [1, 3]),
        ((5, 1), "rows", ["data"], [0, 1, 2, 3, 4]),
        ((1, 5), "columns", ["data"], [0, 1, 2, 3, 4]),
    ],
)
def test_an_array_of_channels(
    tmp_path: Path, shape: tuple[int, int], orientation: Any, names: list[str], last: list[int]
) -> None:
    """Time runs along the longer axis where nothing else is stated."""
    values = np.arange(np.prod(shape)).reshape(shape)
    path = written(tmp_path, lambda file: file.create_dataset("data", data=values))

    assert list(recording(path, orientation).columns) == names
    assert columns(path, [names[-1]], orientation).tolist() == [last]


def test_a_table(tmp_path: Path) -> None:
    """Its fields of numbers are columns, without prefix where it is the only dataset."""
    fields = [("t", "<f8"), ("name", "S4"), ("fz", ">i4"), ("p", "<f4", (2,))]
    rows = np.zeros(4, fields)
    rows["t"], rows["fz"], rows["p"] = np.arange(4) / 10, [1, 2, 3, 4], np.arange(8).reshape(4, 2)
    alone = written(tmp_path, lambda file: file.create_dataset("run/log", data=rows))

    assert source(alone).columns == ("t", "fz", "p[0]", "p[1]")
    assert source(alone).clocks == (0,)
    assert columns(alone, ["fz", "p[1]"]).tolist() == [[1, 2, 3, 4], [1, 3, 5, 7]]

    with h5py.File(alone, "a") as file:
        file["z"] = np.arange(4)

    assert source(alone).columns == ("run/log.t", "run/log.fz", "run/log.p[0]", "run/log.p[1]", "z")
    assert source(alone).clocks == (0,)


def test_packed_numbers(tmp_path: Path) -> None:
    """CF conventions 1.11, section 8.1 and 2.5.1: unpacked = factor * packed + offset."""

    def fill(file: h5py.File) -> None:
        data = file.create_dataset("p", data=np.array([0, 10, -999, 20, -998], np.int16))
        data.attrs["scale_factor"] = np.array([0.5])
        data.attrs["add_offset"] = 100.0
        data.attrs["_FillValue"] = np.int16(-999)
        data.attrs["missing_value"] = np.array([-998], np.int16)
        file["time"] = np.arange(5.0)
        file["time"].attrs["units"] = "seconds since 2026-03-02 10:14:00"

    path = written(tmp_path, fill)

    np.testing.assert_equal(columns(path, ["p"])[0], [100.0, 105.0, np.nan, 110.0, np.nan])
    assert source(path).clocks == (1,)


def test_times_in_other_units_are_no_clock(tmp_path: Path) -> None:
    """A clock counts seconds; what counts milliseconds is a column like any other."""

    def fill(file: h5py.File) -> None:
        file["time"] = np.arange(5.0)
        file["time"].attrs["unit"] = "ms"

    assert source(written(tmp_path, fill)).clocks == ()


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"chunks": (10_007,), "compression": "gzip", "shuffle": True, "fletcher32": True},
        {"chunks": (100_000,), "compression": "gzip"},
        {"chunks": (4096,), "compression": "lzf"},
        {"chunks": (1000,), "scaleoffset": 0},
    ],
    ids=str,
)
def test_long_datasets_come_in_blocks(tmp_path: Path, options: dict[str, Any]) -> None:
    """Chunks of any length, with each filter that HDF5 itself has."""
    a = RNG.integers(-9999, 9999, N).astype(np.int32)
    b = RNG.integers(-9999, 9999, (N, 3)).astype(np.int16)

    def fill(file: h5py.File) -> None:
        file.create_dataset("a", data=a, **options)
        wide = {**options, "chunks": (*options["chunks"], 2)} if options else {}
        file.create_dataset("b", data=b, **wide)

    path = written(tmp_path, fill)
    blocks = [block.samples for block in recording(path).blocks(["b[2]", "a", "b[0]"])]

    assert len(blocks) > 1
    assert max(block.shape[1] for block in blocks) <= 2 * 65_536
    assert np.array_equal(np.concatenate(blocks, axis=1), [b[:, 2], a, b[:, 0]])


def test_links_end(tmp_path: Path) -> None:
    """Soft links inside the file are followed; circles, and links to nowhere, come to an end."""

    def fill(file: h5py.File) -> None:
        file["run/fz"] = np.arange(3.0)
        file["lift"] = h5py.SoftLink("run/../lift")  # ".." is no name that HDF5 knows
        file["same"] = h5py.SoftLink("/run/./fz")
        file["round"] = h5py.SoftLink("/round")
        file["run/up"] = file["/"]
        file["run/away"] = h5py.ExternalLink("015.h5", "/fz")
        file["through"] = h5py.SoftLink("/run/away/x")

    path = written(tmp_path, fill)

    assert recording(path).columns[:2] == ("run/fz", "same")
    assert columns(path, ["same"]).tolist() == [[0.0, 1.0, 2.0]]
    for name, words in {
        "lift": r"it is a link to run/\.\./lift, which is not there; mend the link",
        "round": r"it is a link that leads to itself",
        "run/away": r"it is a link to another file \(015\.h5\); write the samples into the file",
        "through": r"it is a link to another file",
    }.items():
        with pytest.raises(RecordingError, match=rf"column '{name}': {words}"):
            columns(path, [name])


def refused_datasets(file: h5py.File) -> None:
    """One of each kind that holds no samples."""
    file["ok"] = np.arange(3.0)
    file["text"] = ["a", "b", "c"]
    file["complex"] = np.ones(3, complex)
    file["cube"] = np.zeros((2, 3, 4))
    file.create_dataset("lists", (3,), h5py.vlen_dtype("f8"))
    file["opaque"] = np.zeros(3, "V5")
    file["pointers"] = np.array([file.ref] * 3, h5py.ref_dtype)
    file["words"] = np.zeros(3, [("name", "S4")])
    file.create_dataset("elsewhere", (3,), "f8", external=[("raw.bin", 0, 24)])
    layout = h5py.VirtualLayout((3,), "f8")
    layout[:] = h5py.VirtualSource("015.h5", "fz", (3,))
    file.create_virtual_dataset("virtual", layout)
    file.create_dataset("picture", (20_000, 30_000), "u1", chunks=(100, 100))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("text", "it holds no numbers"),
        ("complex", "its numbers are complex; save real and imaginary part by themselves"),
        ("cube", r"it has 3 dimensions \(\(2, 3, 4\)\); save the channel as a plain array"),
        ("lists", "it holds no numbers"),
        ("opaque", "it holds no numbers"),
        ("pointers", "it holds no numbers"),
        ("words", "it is a table without a column of numbers"),
        ("elsewhere", r"its samples stand in another file \(raw\.bin\)"),
        ("virtual", "it is a virtual dataset, made of other files"),
        ("picture", r"\(20000, 30000\) is the shape of a picture"),
    ],
)
def test_datasets_without_samples_are_refused_where_wanted(
    tmp_path: Path, name: str, words: str
) -> None:
    """The others of the file can be read."""
    path = written(tmp_path, refused_datasets)

    assert columns(path, ["ok"]).tolist() == [[0.0, 1.0, 2.0]]
    with pytest.raises(RecordingError, match=rf"014\.h5, column '{name}': {words}"):
        columns(path, [name])


def test_a_filter_that_is_no_part_of_hdf5(tmp_path: Path) -> None:
    """It is named, and no plug-in is looked for; 32001 is registered for Blosc."""

    def fill(file: h5py.File) -> None:
        plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        plist.set_chunk((4,))
        plist.set_filter(32001, h5py.h5z.FLAG_OPTIONAL, (1, 2))
        space = h5py.h5s.create_simple((4,))
        dataset = h5py.h5d.create(file.id, b"p", h5py.h5t.NATIVE_DOUBLE, space, plist)
        dataset.write_direct_chunk((0,), b"packed by something else")

    path = written(tmp_path, fill)

    with pytest.raises(RecordingError, match=r"filter 32001.*save it with gzip or without"):
        columns(path)


def never_written(file: h5py.File) -> None:
    """Space for samples that did not come."""
    file.create_dataset("p", (1000,), "f8")


def partly_written(file: h5py.File) -> None:
    """Ten chunks, of which one was filled."""
    file.create_dataset("p", (1000,), "f8", chunks=(100,))[:100] = 1.0


def giant_chunks(file: h5py.File) -> None:
    """Constant data in one chunk of 400 MB, some 400 kB packed."""
    data = file.create_dataset("p", (50_000_000,), "f8", chunks=(50_000_000,), compression=9)
    packed = zlib.compress(bytes(400_000_000), 1)
    data.id.write_direct_chunk((0,), packed)


def absurd_length(file: h5py.File) -> None:
    """A few bytes that declare more samples than were ever taken."""
    file.create_dataset("p", (10**15,), "f8", chunks=(1000,))[:1000] = 1.0


@pytest.mark.parametrize(
    ("fill", "words"),
    [
        (never_written, r"part of its \(1000,\) samples was never written"),
        (partly_written, r"part of its \(1000,\) samples was never written; shorten it"),
        (giant_chunks, r"its chunks have 381 MB, too much to unpack at once; save it in chunks"),
        (absurd_length, r"1000000000000000 samples are declared, but the whole file has \d+ by"),
    ],
)
def test_datasets_that_promise_more_than_they_hold(
    tmp_path: Path, fill: Callable[[h5py.File], None], words: str
) -> None:
    """Nothing is read of them, and fill values never pass for samples."""
    with pytest.raises(RecordingError, match=words):
        columns(written(tmp_path, fill))


def test_constant_data_take_no_more_memory_than_others(tmp_path: Path) -> None:
    """Five channels of 6 million zeros: 240 MB from a file of 1 MB."""

    def fill(file: h5py.File) -> None:
        for name in "abcde":
            options = {"chunks": (1_000_000,), "compression": 1}
            file.create_dataset(name, data=np.zeros(6_000_000), **options)

    assert read_within_bounds(written(tmp_path, fill)) == "6000000"


@pytest.mark.parametrize("keep", [8, 100, 2000, -100])
def test_a_file_cut_short(tmp_path: Path, keep: int) -> None:
    """Wherever it ends."""
    path = written(tmp_path, lambda file: file.create_dataset("p", data=np.arange(1000.0)))
    path.write_bytes(path.read_bytes()[:keep])

    with pytest.raises(RecordingError, match=r"014\.h5: the file is damaged \(.*\); copy the"):
        columns(path)


def test_a_check_sum_that_is_wrong(tmp_path: Path) -> None:
    """Fletcher's, with the place of the samples."""
    values = RNG.standard_normal(3000)
    options: dict[str, Any] = {"chunks": (1000,), "fletcher32": True}
    path = written(tmp_path, lambda file: file.create_dataset("p", data=values, **options))
    raw = path.read_bytes()
    piece = values[1500:1510].tobytes()
    path.write_bytes(raw.replace(piece, piece[::-1]))

    with pytest.raises(RecordingError, match=r"samples 0 to 2999: the file is damaged \(Can't"):
        columns(path)


def test_a_file_without_numbers(tmp_path: Path) -> None:
    """No column, no recording."""
    with pytest.raises(RecordingError, match="the file holds no columns of numbers; name another"):
        recording(written(tmp_path, lambda file: file.create_group("run")))


def test_without_the_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message names the format, the extra and the line that installs it."""
    path = written(tmp_path, lambda file: file.create_dataset("p", data=np.arange(3.0)))
    monkeypatch.setitem(sys.modules, "h5py", None)

    words = r"HDF5 file, which needs h5py of the extra `formats`.*pip install \"buffeting\[formats"
    with pytest.raises(RecordingError, match=words):
        recording(path)


def test_options_of_text_make_no_difference(tmp_path: Path) -> None:
    """But markers of missing samples do."""
    path = written(tmp_path, lambda file: file.create_dataset("p", data=np.array([1.0, 999.0])))
    samples = read(open_recording(path, FileOptions(missing=("999",)), AT_1_KHZ))

    np.testing.assert_equal(samples, [[1.0, np.nan]])


def test_a_heap_of_texts_that_leads_nowhere(tmp_path: Path) -> None:
    """The library would never return from it: the unit's text has no length, nor what follows."""

    def fill(file: h5py.File) -> None:
        file["p"] = np.arange(3.0)
        file["p"].attrs["unit"] = "N"

    path = written(tmp_path, fill)
    raw = bytearray(path.read_bytes())
    heap = raw.index(b"GCOL")
    piece = heap + 16
    assert raw[piece : piece + 9] == b"\1\0\0\0\0\0\0\0\1"  # number 1, in use by none, of one byte
    raw[piece + 8] = 65
    path.write_bytes(raw)

    with pytest.raises(RecordingError, match=r"'p': it cannot be read \(.*heap collection"):
        columns(path)
