"""ASAM MDF 4: what asammdf writes is read as asammdf reads it; the rest is put together by hand."""

from __future__ import annotations

import struct
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from asammdf import MDF, Signal
from asammdf.blocks.conversion_utils import from_dict

from ingest.errors import RecordingError
from ingest.readers import open_recording
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.array_support import columns, read_within_bounds, recording, source
from tests.ingest.mdf4_files import Mdf4

N = 150_000  # three blocks, the last one cut
TIME_S = np.arange(N) / 5000
NOISE = np.random.default_rng(5).standard_normal(N)
LINEAR = {"a": 0.5, "b": 3.0}
RATIONAL = {"P1": 0.01, "P2": 2, "P3": 1, "P4": 0, "P5": 0.1, "P6": 400}
TABLE = {"raw_0": -50, "phys_0": 5, "raw_1": 50, "phys_1": -5, "raw_2": 100, "phys_2": 10}
RANGES = {"lower_0": -9, "upper_0": 0, "phys_0": 1.5, "lower_1": 1, "upper_1": 6, "phys_1": -2.5}


def signal(name: str, samples: Any, rule: dict[str, Any] | None = None, **more: Any) -> Signal:
    """A channel at 5 kHz as asammdf takes it."""
    conversion = from_dict(rule) if rule else None
    times = TIME_S[:: N // len(samples)]
    return Signal(samples, times, name=name, conversion=conversion, encoding="utf-8", **more)


def library_file(folder: Path, compression: int = 0, version: Any = "4.10") -> Path:
    """Numbers of all kinds and rules, in two groups at different rates."""
    counts = (NOISE * 100).astype("<i2")
    with MDF(version=version) as file:
        file.append(
            [
                signal("fz", NOISE, unit="N"),
                signal("f4", NOISE.astype("<f4")),
                signal("big", counts.astype(">i4")),
                signal("counts", counts, LINEAR, unit="Pa"),
                signal("rational", counts, RATIONAL),
                signal("between", counts, {**TABLE, "interpolation": True}),
                signal("nearest", counts, {**TABLE, "interpolation": False}),
                signal("ranges", NOISE * 10, {**RANGES, "default": 7.0}),
                signal("gaps", (NOISE * 10).astype("i1"), invalidation_bits=NOISE > 1),
            ]
        )
        file.append([signal("slow", NOISE[::10], unit="degC"), signal("fz", NOISE[1::10])])
        file.save(folder / "014.mf4", compression=compression)
    return folder / "014.mf4"


@pytest.mark.parametrize("compression", [0, 1, 2], ids=["plain", "deflated", "turned"])
def test_the_same_samples_as_asammdf_gives(tmp_path: Path, compression: int) -> None:
    """Each channel of each group, invalid ones as NaN."""
    path = library_file(tmp_path, compression)
    index = 0
    with MDF(path) as file:
        for group, described in enumerate(file.groups):
            for channel, _ in enumerate(described.channels):
                found = file.get(
                    group=group, index=channel, samples_only=True, ignore_invalidation_bits=True
                )
                expected = found[0].astype(float)
                if found[1] is not None:
                    expected[found[1]] = np.nan
                np.testing.assert_array_equal(columns(path, [index])[0], expected)
                index += 1
    assert index == len(recording(path).columns)


def test_groups_units_and_clocks(tmp_path: Path) -> None:
    """Groups at different rates stay apart; names may repeat."""
    found = source(library_file(tmp_path))

    assert found.reader == "ASAM MDF 4"
    assert found.columns[:2] == ("time", "fz")
    assert found.columns[-3:] == ("time", "slow", "fz")
    assert found.groups == (0,) * 10 + (1,) * 3
    assert found.clocks == (0, 10)
    assert found.units is not None
    assert [found.units[i] for i in (0, 1, 4, 11)] == ["s", "N", "Pa", "degC"]
    assert found.rates_hz == (None,) * 13
    assert (found.rows(0), found.rows(11)) == (N, N // 10)


def test_long_files_come_in_blocks(tmp_path: Path) -> None:
    """By their own time stamps."""
    clock = ClockOptions(time_column=0)
    opened = open_recording(library_file(tmp_path, 2), FileOptions(), clock)
    blocks = [block.samples for block in opened.blocks([1, "gaps"])]

    assert opened.rate_hz == pytest.approx(5000.0, rel=1e-9)
    assert len(blocks) > 1
    assert max(block.shape[1] for block in blocks) <= 2 * 65_536
    assert np.array_equal(np.concatenate(blocks, axis=1)[0], NOISE)


def one_group(folder: Path, records: bytes, n: int, width: int, **channel: Any) -> Path:
    """A file with one channel p."""
    file = Mdf4()
    group = file.group(file.channel("p", **channel), n, width)
    return file.save(folder / "014.mf4", file.data_group(group, file.block("DT", (), records)))


@pytest.mark.parametrize(
    ("width", "offset", "shift", "bits", "data_type", "records", "values"),
    [
        # 12 bits from bit 4 on; the standard counts bits from the least significant one
        (2, 0, 4, 12, 0, "0f80 f0ff", [0x800, 0xFFF]),
        (2, 0, 4, 12, 2, "0f80 f0ff", [-0x800, -1]),
        (2, 0, 4, 12, 1, "800f fff0", [0x800, 0xFFF]),
        (3, 0, 0, 24, 3, "000001 fffffe", [1, -2]),
        (4, 1, 0, 24, 0, "aa010000 aa000001", [1, 65536]),
        (1, 0, 7, 1, 0, "80 7f", [1, 0]),
        (8, 0, 0, 64, 2, "ff" * 8 + "01" + "00" * 7, [-1, 1]),
        (2, 0, 0, 16, 4, "003c 00c0", [1.0, -2.0]),
        (8, 4, 0, 32, 5, "aaaaaaaa3f800000 aaaaaaaac0000000", [1.0, -2.0]),
    ],
)
def test_numbers_of_any_width(
    tmp_path: Path,
    width: int,
    offset: int,
    shift: int,
    bits: int,
    data_type: int,
    records: str,
    values: list[float],
) -> None:
    """Either byte order, anywhere in the record; IEEE 754 floats."""
    path = one_group(
        tmp_path,
        bytes.fromhex(records),
        2,
        width,
        offset=offset,
        shift=shift,
        bits=bits,
        data_type=data_type,
    )

    assert columns(path).tolist() == [values]


def test_ranges_of_integers_include_both_ends(tmp_path: Path) -> None:
    """Those of floats do not include the upper one (ASAM MDF 4, value range to value)."""
    file = Mdf4()
    rule = file.conversion(6, (0, 2, 10.0, 3, 5, 20.0, -1.0))
    first = file.channel(
        "i", 8, 8, 0, rule=rule, follows=file.channel("x", 0, rule=rule, follows=0)
    )
    records = b"".join(struct.pack("<dB", value, value) for value in (0, 2, 4, 5, 9))
    group = file.group(first, 5, 9)
    data = file.data_group(group, file.block("DT", (), records))

    assert columns(file.save(tmp_path / "014.mf4", data)).tolist() == [
        [10.0, 10.0, 20.0, 20.0, -1.0],
        [10.0, -1.0, 20.0, -1.0, -1.0],
    ]


def test_times_that_follow_from_the_record_number(tmp_path: Path) -> None:
    """A virtual master with a linear rule states the rate exactly."""
    file = Mdf4()
    rule = file.conversion(1, (2.0, 1 / 4096), "s")
    fz = file.channel("fz", 0, unit=file.text("<CNunit><TX>k&amp;N</TX></CNunit>", "MD"))
    time = file.channel("t", 0, 0, 0, kind=3, sync=1, rule=rule, follows=fz)
    data = file.block("DT", (), np.arange(N, dtype="<f8").tobytes())
    path = file.save(tmp_path / "014.mf4", file.data_group(file.group(time, N, 8), data))

    assert source(path).rates_hz == (None, 4096.0)
    assert source(path).clocks == (0,)
    assert source(path).units == ("s", "k&N")
    assert np.array_equal(columns(path), [2.0 + np.arange(N) / 4096, np.arange(N)])
    with MDF(path) as library:
        assert np.array_equal(library.get("fz").timestamps, columns(path, ["t"])[0])


@pytest.mark.parametrize("id_bytes", [1, 2, 4, 8])
def test_records_of_several_groups_in_turn(tmp_path: Path, id_bytes: int) -> None:
    """As they come from a logger that does not sort, with text of any length between them."""
    file = Mdf4()
    number = {n: n.to_bytes(id_bytes, "little") for n in (1, 2, 3)}
    parts = []
    for n in range(3000):
        parts.append(number[1] + struct.pack("<dd", n / 100, n))
        if n % 10 == 0:
            parts.append(number[2] + struct.pack("<dh", n / 100, -n))
        if n % 7 == 0:
            parts.append(number[3] + struct.pack("<I", n % 50) + b"x" * (n % 50))
    content = b"".join(parts)
    blocks = [file.block("DT", (), content[i : i + 9999]) for i in range(0, len(content), 9999)]
    text = file.group(0, 429, 0, record_id=3, flags=1)
    slow = file.channel("t", kind=2, sync=1, follows=file.channel("slow", 8, 16, 2))
    slow = file.group(slow, 300, 10, record_id=2, follows=text)
    fast = file.channel("t", kind=2, sync=1, follows=file.channel("fast", 8))
    fast = file.group(fast, 3000, 16, record_id=1, follows=slow)
    data = file.block("DL", (0, *blocks), bytes(24))
    path = file.save(tmp_path / "014.mf4", file.data_group(fast, data, id_bytes))

    assert recording(path).columns == ("t", "fast", "t", "slow")
    assert source(path).groups == (0, 0, 1, 1)
    assert np.array_equal(columns(path, [0, "fast"]), [np.arange(3000) / 100, np.arange(3000)])
    assert np.array_equal(columns(path, ["slow"])[0], -10.0 * np.arange(300))


def test_a_time_that_stands_in_another_group(tmp_path: Path) -> None:
    """Column-oriented storage of MDF 4.2: each group has one channel, the first the time."""
    file = Mdf4(420)
    times = file.group(file.channel("t", kind=2, sync=1), N, 8)
    values = file.group(file.channel("fz"), N, 8, flags=8, master=times)
    bytes_of = [TIME_S.astype("<f8").tobytes(), NOISE.astype("<f8").tobytes()]
    lists = [
        file.block("LD", (0, file.block("DV", (), data)), struct.pack("<II", 0, 1))
        for data in bytes_of
    ]
    second = file.data_group(values, lists[1])
    path = file.save(tmp_path / "014.mf4", file.data_group(times, lists[0], follows=second))

    assert source(path).groups == (0, 0)
    opened = open_recording(path, FileOptions(), ClockOptions(time_column="t"))
    found = np.concatenate([block.samples for block in opened.blocks(["fz"])], axis=1)
    assert np.array_equal(found[0], NOISE)


def test_parts_of_a_structure_are_channels(tmp_path: Path) -> None:
    """The structure itself is none."""
    file = Mdf4()
    parts = file.channel("x", 0, follows=file.channel("y", 8))
    group = file.group(file.channel("force", 0, 128, 10, part=parts), 2, 16)
    data = file.block("DT", (), struct.pack("<4d", 1, 2, 3, 4))
    path = file.save(tmp_path / "014.mf4", file.data_group(group, data))

    assert columns(path, ["x", "y"]).tolist() == [[1.0, 3.0], [2.0, 4.0]]
    with pytest.raises(RecordingError, match="'force': it is an array or a structure; name the ch"):
        columns(path, ["force"])


def test_it_needs_no_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither to follow its blocks nor to convert its numbers."""
    path = one_group(tmp_path, bytes(16), 2, 8)
    monkeypatch.setitem(sys.modules, "asammdf", None)

    assert columns(path).tolist() == [[0.0, 0.0]]


def test_constant_data_take_no_more_memory_than_others(tmp_path: Path) -> None:
    """Thirty blocks of 8 MB, 8 kB each in the file."""
    file = Mdf4()
    block = file.zipped(bytes(8_000_000))
    blocks = [block, *(file.zipped(bytes(8_000_000)) for _ in range(29))]
    group = file.group(file.channel("p"), 30_000_000, 8)
    path = file.save(
        tmp_path / "014.mf4",
        file.data_group(group, file.block("DL", (0, *blocks), bytes(24))),
    )

    assert read_within_bounds(path) == "30000000"
