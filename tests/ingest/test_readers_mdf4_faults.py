"""MDF 4 files that are damaged, unfinished, of another version, or hold no numbers."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest.errors import RecordingError
from tests.ingest.array_support import columns, recording
from tests.ingest.mdf4_files import HEADER, Mdf4

RECORDS = np.arange(100.0).astype("<f8").tobytes()


def saved(folder: Path, file: Mdf4, data: int, n: int = 100, **more: Any) -> Path:
    """A file with one channel fz and these data."""
    group = file.group(file.channel("fz"), n, 8)
    return file.save(folder / "014.mf4", file.data_group(group, data, **more))


def valid(folder: Path) -> Path:
    """A hundred samples."""
    file = Mdf4()
    return saved(folder, file, file.block("DT", (), RECORDS))


@pytest.mark.parametrize(
    ("place", "new", "words"),
    [
        (28, struct.pack("<H", 330), r"this is MDF version 3\.30.*convert it to version 4\.10"),
        (0, b"UnFinMF ", "the logger did not finish the file; open it with the logger's software"),
        (60, b"\x01", "the logger did not finish the file"),
        (HEADER + 2, b"XX", "block at byte 64: the file is damaged"),
        (HEADER + 8, b"\xff" * 8, r"##HD of 18446744073709551615 bytes with 6 links"),
        (HEADER + 24, struct.pack("<Q", 10**15), r"block at byte 1000000000000000: .*ends at byte"),
    ],
)
def test_a_beginning_that_is_not_as_it_should_be(
    tmp_path: Path, place: int, new: bytes, words: str
) -> None:
    """Version, flags, and the first block."""
    path = valid(tmp_path)
    content = bytearray(path.read_bytes())
    content[place : place + len(new)] = new
    path.write_bytes(content)

    with pytest.raises(RecordingError, match=words):
        recording(path)


@pytest.mark.parametrize("kind", ["DG", "CG", "CN", "DL"])
def test_a_chain_that_leads_back(tmp_path: Path, kind: str) -> None:
    """A block whose first link leads to itself: it comes to an end."""
    file = Mdf4()
    data = file.block("DL", (0, file.block("DT", (), RECORDS)), bytes(24))
    channel = file.channel("fz")
    group = file.group(channel, 1000, 8)  # more than there are, so that the list is followed
    first = file.data_group(group, data)
    place = {"DL": data, "CN": channel, "CG": group, "DG": first}[kind]
    struct.pack_into("<Q", file.data, place + 24, place)
    path = file.save(tmp_path / "014.mf4", first)

    with pytest.raises(
        RecordingError, match=rf"block at byte {place}: .*##{kind} is linked to twi"
    ):
        columns(path)


def test_channels_made_of_one_another(tmp_path: Path) -> None:
    """A structure that is its own part."""
    file = Mdf4()
    channel = file.channel("fz", part=HEADER)
    struct.pack_into("<Q", file.data, channel + 32, channel)
    first = file.data_group(file.group(channel, 1, 8), file.block("DT", (), bytes(8)))

    with pytest.raises(RecordingError, match="channels are made of one another"):
        recording(file.save(tmp_path / "014.mf4", first))


def fewer(file: Mdf4) -> int:
    """A block that ends before the last record."""
    return file.block("DT", (), RECORDS[:-4])


def nothing(file: Mdf4) -> int:
    """No block at all."""
    return 0


def twice(file: Mdf4) -> int:
    """The same block listed twice."""
    data = file.block("DT", (), RECORDS[:400])
    return file.block("DL", (0, data, data), bytes(24))


def longer(file: Mdf4) -> int:
    """A block that unpacks to more than it declares."""
    return file.zipped(bytes(10**7), declared=800)


def shorter(file: Mdf4) -> int:
    """A block that unpacks to less."""
    return file.zipped(RECORDS, declared=801)


def enormous(file: Mdf4) -> int:
    """A block of a gigabyte."""
    return file.zipped(RECORDS, declared=1 << 30)


def damaged(file: Mdf4) -> int:
    """A compressed block with one byte changed."""
    data = file.zipped(np.random.default_rng(1).bytes(800))
    file.data[data + 100] ^= 255
    return data


def other_packing(file: Mdf4) -> int:
    """A compression that came with version 4.3."""
    data = file.zipped(RECORDS)
    file.data[data + 26] = 3
    return data


def wrong_kind(file: Mdf4) -> int:
    """A text where data are wanted."""
    return file.text("no data")


def flags_apart(file: Mdf4) -> int:
    """Column-oriented data with invalidation bits."""
    data = file.block("DV", (), RECORDS)
    return file.block("LD", (0, data), struct.pack("<II", 1 << 31, 1))


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (fewer, "100 records are declared, 99 were found"),
        (nothing, "100 records are declared, 0 were found"),
        (twice, "its data are listed twice"),
        (longer, "800 bytes are declared, 801 came"),
        (shorter, "801 bytes are declared, 800 came"),
        (enormous, "a block would unpack to 1024 MB"),
        (damaged, r"Error -3 while decompressing data|bytes are declared"),
        (other_packing, "compression 3 is not supported, save with deflate"),
        (wrong_kind, "found b'##TX'"),
        (flags_apart, "column-oriented storage with invalidation bits is not supported"),
    ],
)
def test_data_that_are_not_as_declared(
    tmp_path: Path, build: Callable[[Mdf4], int], words: str
) -> None:
    """The message names the block."""
    file = Mdf4()
    path = saved(tmp_path, file, build(file))

    with pytest.raises(RecordingError, match=rf"014\.mf4, block at byte \d+: .*(?:{words})"):
        columns(path)


def test_a_record_of_no_group(tmp_path: Path) -> None:
    """Among records with numbers."""
    file = Mdf4()
    path = saved(tmp_path, file, file.block("DT", (), b"\7" + RECORDS), id_bytes=1)

    with pytest.raises(RecordingError, match="a record of group 7, which is not there"):
        columns(path)


def test_more_records_than_can_be(tmp_path: Path) -> None:
    """Nothing is read of them."""
    file = Mdf4()
    path = saved(tmp_path, file, file.block("DT", (), RECORDS), n=10**15)

    with pytest.raises(RecordingError, match="column 'fz': 1000000000000000 samples are declared"):
        columns(path)


def test_a_file_cut_short(tmp_path: Path) -> None:
    """Wherever it ends."""
    path = valid(tmp_path)
    content = path.read_bytes()
    for keep in (8, 63, 100, 500, len(content) - 1):
        path.write_bytes(content[:keep])
        with pytest.raises(RecordingError, match=r"the file (ends|is damaged)"):
            columns(path)


def made(**channel: Any) -> Callable[[Mdf4], int]:
    """A channel p."""
    return lambda file: file.channel("p", **channel)


@pytest.mark.parametrize(
    ("channel", "words"),
    [
        (made(data_type=7), "it holds text or bytes, no numbers"),
        (made(data_type=10), "it holds text or bytes, no numbers"),
        (made(kind=1), "it holds text or bytes, no numbers"),
        (made(offset=4), "its values lie outside the records"),
        (made(bits=0), "its values lie outside the records"),
        (made(bits=24), "it holds floats of 24 bits"),
        (made(flags=2), "its invalidation bit lies outside the records"),
        (
            lambda file: file.channel("p", rule=file.conversion(3, ())),
            "its values come from a form",
        ),
        (lambda file: file.channel("p", rule=file.conversion(7, (1,))), "its values are text"),
        (lambda file: file.channel("p", rule=file.conversion(1, (1,))), "rule has 1 values"),
        (lambda file: file.channel("p", rule=file.conversion(4, (1, 2, 3))), "rule has 3 values"),
        (lambda file: file.channel("p", part=file.block("CA")), "it is an array or a structure"),
    ],
)
def test_channels_without_numbers_are_refused_where_wanted(
    tmp_path: Path, channel: Callable[[Mdf4], int], words: str
) -> None:
    """The others of the file can be read."""
    file = Mdf4()
    place = channel(file)
    struct.pack_into("<Q", file.data, place + 24, file.channel("fz"))
    first = file.data_group(file.group(place, 1, 8), file.block("DT", (), bytes(8)))
    path = file.save(tmp_path / "014.mf4", first)

    assert columns(path, ["fz"]).tolist() == [[0.0]]
    with pytest.raises(RecordingError, match=f"column 'p': .*{words}"):
        columns(path, ["p"])


def test_nothing_is_written_beside_the_file(tmp_path: Path) -> None:
    """Neither for good nor for the time being."""
    path = valid(tmp_path)
    for _ in recording(path).blocks(["fz"]):
        assert list(tmp_path.iterdir()) == [path]
    assert list(tmp_path.iterdir()) == [path]
