"""Parquet, Feather and Arrow streams: the same samples as pyarrow gives, and what is refused."""

from __future__ import annotations

import struct
import sys
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet
import pytest

from ingest.errors import RecordingError
from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.array_support import MEMORY_BYTES, columns, read_resident, recording, source

N = 150_000  # three blocks, the last one cut
Write = Callable[[pa.Table, Path], Path]


def as_parquet(table: pa.Table, folder: Path) -> Path:
    """Row groups that are no multiple of a block."""
    pyarrow.parquet.write_table(table, folder / "014.parquet", row_group_size=90_000)
    return folder / "014.parquet"


def as_feather(table: pa.Table, folder: Path) -> Path:
    """Compressed, which is the default."""
    pyarrow.feather.write_feather(table, str(folder / "014.feather"), chunksize=90_000)
    return folder / "014.feather"


def as_stream(table: pa.Table, folder: Path) -> Path:
    """Without a footer."""
    path = folder / "014.arrows"
    with pa.ipc.new_stream(str(path), table.schema) as writer:
        writer.write_table(table, max_chunksize=90_000)
    return path


FORMATS = pytest.mark.parametrize("write", [as_parquet, as_feather, as_stream])


@FORMATS
@pytest.mark.parametrize(
    ("stored", "samples"),
    [
        (pa.array([1, -2, 300], pa.int16()), [1, -2, 300]),
        (pa.array([1, None, 2**40], pa.uint64()), [1, np.nan, 2**40]),
        (pa.array([1.5, None, -2.5], pa.float32()), [1.5, np.nan, -2.5]),
        (pa.array(np.array([1.5, -2.5, 1e4], np.float16)), [1.5, -2.5, 1e4]),
        (pa.array([True, None, False]), [1, np.nan, 0]),
        (pa.array([Decimal("1.25"), None, Decimal("-3.50")]), [1.25, np.nan, -3.5]),
        (pa.array([0.5, None, 0.5]).dictionary_encode(), [0.5, np.nan, 0.5]),
        (pa.array([0, None, 1500], pa.duration("ms")), [0, np.nan, 1.5]),
    ],
    ids=lambda stored: str(stored.type) if isinstance(stored, pa.Array) else "",
)
def test_numbers_of_all_kinds(
    tmp_path: Path, write: Write, stored: pa.Array, samples: list[float]
) -> None:
    """Nulls are missing samples; a duration is in seconds."""
    path = write(pa.table({"fz": stored}), tmp_path)

    np.testing.assert_equal(columns(path)[0], samples)


@FORMATS
def test_long_files_come_in_blocks(tmp_path: Path, write: Write) -> None:
    """Wanted columns alone, in the wanted order, some twice."""
    rng = np.random.default_rng(3)
    values = {name: rng.standard_normal(N) for name in "abc"}
    path = write(pa.table({**values, "label": ["x"] * N}), tmp_path)
    opened = recording(path)
    blocks = [block.samples for block in opened.blocks(["c", "a", "c"])]

    assert opened.expected_samples == N
    assert len(blocks) > 1
    assert max(block.shape[1] for block in blocks) <= 2 * 65_536
    assert np.array_equal(np.concatenate(blocks, axis=1), [values[name] for name in "cac"])


@FORMATS
def test_units_rate_and_clock(tmp_path: Path, write: Write) -> None:
    """From the metadata of fields and schema."""
    fields = [
        pa.field("time", pa.float64(), metadata={"unit": "s"}),
        pa.field("fz", pa.float64(), metadata={"units": "N"}),
        pa.field("p", pa.float64()),
    ]
    schema = pa.schema(fields, metadata={"sample_rate_hz": "5000", "note": "fs"})
    found = source(write(pa.table([[0.0], [1.0], [2.0]], schema=schema), tmp_path))

    assert found.columns == ("time", "fz", "p")
    assert found.units == ("s", "N", "")
    assert found.rates_hz == (None, 5000.0, 5000.0)
    assert found.clocks == (0,)
    assert found.groups == (0, 0, 0)
    assert found.reader == {".parquet": "Parquet", ".feather": "Feather"}.get(
        next(tmp_path.iterdir()).suffix, "Arrow stream"
    )


@FORMATS
@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_moments_are_time_stamps(tmp_path: Path, write: Write, unit: str) -> None:
    """Of any unit, with a time zone or without; the only ones are the clock."""
    kind = pa.timestamp(unit, tz="Europe/Berlin")
    stamps = pa.array(np.arange(20) * {"s": 1, "ms": 10, "us": 200, "ns": 1000}[unit], kind)
    path = write(pa.table({"when": stamps, "fz": np.arange(20.0)}), tmp_path)
    opened = open_recording(path, FileOptions(), ClockOptions(time_column="when"))

    assert source(path).clocks == (0,)
    expected = {"s": 1, "ms": 100, "us": 5000, "ns": 1_000_000}[unit]
    assert opened.rate_hz == pytest.approx(expected, rel=1e-9)


@FORMATS
def test_an_index_of_pandas_is_a_column(tmp_path: Path, write: Write) -> None:
    """Under its name; one that only counts is not stored at all."""
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame({"fz": [1.0, 2.0]}, index=pandas.Index([0.0, 0.1], name="t"))

    named = source(write(pa.Table.from_pandas(frame), tmp_path))
    assert named.columns == ("fz", "t")
    assert named.clocks == (1,)
    plain = source(write(pa.Table.from_pandas(frame.reset_index(drop=True)), tmp_path))
    assert plain.columns == ("fz",)


@FORMATS
def test_names_that_repeat_or_hold_dots(tmp_path: Path, write: Write) -> None:
    """Each stands for itself; repeated ones are named by index."""
    names = ["a", "a.b", "a", "c"]
    path = write(pa.Table.from_arrays([pa.array([float(i)]) for i in range(4)], names), tmp_path)

    assert columns(path, [2, 0, "a.b", 2]).tolist() == [[2.0], [0.0], [1.0], [2.0]]


@FORMATS
def test_columns_without_numbers_are_refused_where_wanted(tmp_path: Path, write: Write) -> None:
    """The others can be read."""
    table = pa.table({"label": ["a"], "pair": [[1, 2]], "part": [{"x": 1}], "fz": [1.0]})
    path = write(table, tmp_path)

    assert columns(path, ["fz"]).tolist() == [[1.0]]
    for name, kind in {"label": "string", "pair": "list<", "part": "struct<"}.items():
        with pytest.raises(RecordingError, match=rf"column '{name}': it holds no numbers \({kind}"):
            columns(path, [name])


@FORMATS
def test_a_file_without_rows(tmp_path: Path, write: Write) -> None:
    """It is told as such, and not to state another part of it."""
    path = write(pa.table({"fz": pa.array([], pa.float64())}), tmp_path)

    with pytest.raises(RecordingError, match="holds no samples; check that the logger") as caught:
        columns(path)
    assert "`from`" not in str(caught.value)


@FORMATS
def test_constant_data_take_no_more_memory_than_others(tmp_path: Path, write: Write) -> None:
    """Ten channels of 4 million equal numbers."""
    table = pa.table({name: np.full(4_000_000, 1.5) for name in "abcdefghij"})

    rows, peak = read_resident(write(table, tmp_path))

    assert rows == 4_000_000
    assert peak < MEMORY_BYTES


@FORMATS
def test_a_file_cut_short(tmp_path: Path, write: Write) -> None:
    """Wherever it ends."""
    path = write(pa.table({"fz": np.random.default_rng(1).standard_normal(2000)}), tmp_path)
    content = path.read_bytes()
    for keep in (8, 100, len(content) // 2, len(content) - 20):
        path.write_bytes(content[:keep])
        with pytest.raises(RecordingError, match=r"014\..*: the file is damaged \(.*\); copy the"):
            columns(path)


def test_a_page_whose_check_sum_is_wrong(tmp_path: Path) -> None:
    """Where the writer stored one."""
    path = tmp_path / "014.parquet"
    values = np.arange(1000.0)
    options: dict[str, Any] = {"compression": "none", "use_dictionary": False}
    pyarrow.parquet.write_table(pa.table({"fz": values}), path, write_page_checksum=True, **options)
    piece = values[500:510].tobytes()
    path.write_bytes(path.read_bytes().replace(piece, piece[::-1]))

    with pytest.raises(RecordingError, match=r"row 0: the file is damaged \(.*CRC checksum"):
        columns(path)


def test_more_rows_declared_than_can_be(tmp_path: Path) -> None:
    """A run of equal numbers may be as long as one likes, but not as long as this."""
    path = tmp_path / "014.parquet"
    pyarrow.parquet.write_table(
        pa.table({"fz": np.zeros(20_000_000, np.int8)}), path, max_rows_per_page=10**8
    )

    with pytest.raises(RecordingError, match="20000000 samples are declared, but the whole file"):
        columns(path)


def test_pages_that_unpack_to_far_more(tmp_path: Path) -> None:
    """A page is unpacked whole; usual ones have a megabyte, this one 160."""
    path = tmp_path / "014.parquet"
    options: dict[str, Any] = {"compression": "zstd", "use_dictionary": False}
    options |= {"data_page_size": 10**9, "max_rows_per_page": 10**9, "write_batch_size": 10**8}
    values = np.zeros(20_000_000)
    values[:10_000] = np.random.default_rng(1).standard_normal(10_000)
    table = pa.table({"fz": values})
    pyarrow.parquet.write_table(table, path, row_group_size=20_000_000, **options)

    with pytest.raises(RecordingError, match="pages of 1 columns would unpack to 152 MB at a time"):
        columns(path)


def test_a_batch_that_unpacks_to_far_more(tmp_path: Path) -> None:
    """It is unpacked whole, so it is not."""
    path = tmp_path / "014.feather"
    table = pa.table({"fz": np.zeros(10_000_000)})
    pyarrow.feather.write_feather(table, str(path), chunksize=10_000_000, compression="zstd")

    with pytest.raises(RecordingError, match="a batch of 10000000 rows would unpack to 76 MB"):
        columns(path)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"FEA1" + bytes(40), "Feather file of the first version.*write it anew as Feather versi"),
        (b"PARE" + bytes(40), "the file is encrypted; save it without a key"),
        (b"PAR1" + bytes(40), "the file is damaged"),
        (b"ARROW1\0\0" + bytes(40), r"it does not end as it should"),
        (struct.pack("<II", 0xFFFFFFFF, 16) + b"\xff" * 16, "the file is damaged"),
    ],
)
def test_beginnings_without_the_rest(tmp_path: Path, content: bytes, words: str) -> None:
    """A signature alone makes no recording."""
    path = tmp_path / "014.bin"
    path.write_bytes(content)

    with pytest.raises(RecordingError, match=words):
        recording(path)


@FORMATS
def test_without_the_library(tmp_path: Path, write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message names the format, the extra and the line that installs it."""
    path = write(pa.table({"fz": [1.0]}), tmp_path)
    monkeypatch.setitem(sys.modules, "pyarrow", None)

    words = r"needs pyarrow of the extra `formats`.*pip install \"buffeting\[formats\]\""
    with pytest.raises(RecordingError, match=words):
        recording(path)
