"""WAV: every width of sample as scipy reads it, odd chunks, and every refusal."""

from __future__ import annotations

import struct
import tempfile
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray
from scipy.io import wavfile

from ingest.errors import RecordingError
from ingest.readers import array_source, open_recording
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.array_support import columns, read_within_bounds, recording, source

RATE_HZ = 5000


def chunk(name: bytes, content: bytes, order: str = "<", size: int | None = None) -> bytes:
    """A chunk, padded to an even length."""
    stated = len(content) if size is None else size
    return struct.pack(f"{order}4sI", name, stated) + content + bytes(len(content) % 2)


def form(
    bits: int = 16,
    channels: int = 2,
    tag: int = 1,
    order: str = "<",
    frame: int | None = None,
    rate_hz: int = RATE_HZ,
) -> bytes:
    """The format chunk."""
    frame_bytes = channels * ((bits + 7) // 8) if frame is None else frame
    fields = (tag, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, bits)
    return chunk(b"fmt ", struct.pack(f"{order}HHIIHH", *fields), order)


def extensible(bits: int, container: int, channels: int, tag: int, end: bytes = b"") -> bytes:
    """The format chunk with a subformat."""
    frame = channels * container // 8
    plain = struct.pack("<HHIIHH", 0xFFFE, channels, RATE_HZ, RATE_HZ * frame, frame, container)
    subformat = struct.pack("<I", tag) + (end or bytes.fromhex("00001000800000aa00389b71"))
    return chunk(b"fmt ", plain + struct.pack("<HHI", 22, bits, 0) + subformat)


def riff(path: Path, *chunks: bytes, kind: bytes = b"RIFF", order: str = "<") -> Path:
    """A file of these chunks."""
    content = b"WAVE" + b"".join(chunks)
    path.write_bytes(struct.pack(f"{order}4sI", kind, len(content)) + content)
    return path


def packed(counts: NDArray[np.int64], width: int, order: str = "<") -> bytes:
    """Integers in as many bytes as wanted."""
    byteorder: Any = "little" if order == "<" else "big"
    return b"".join(int(one).to_bytes(width, byteorder, signed=True) for one in counts.ravel())


@settings(max_examples=50, deadline=None)
@given(
    st.sampled_from(["u1", "i2", "i4", "i8", "f4", "f8"]).flatmap(
        lambda kind: arrays.arrays(kind, st.tuples(st.integers(1, 30), st.integers(1, 4)))
    ),
    st.integers(1, 40),
)
def test_what_scipy_writes_is_read(samples: NDArray[Any], block_rows: int) -> None:
    """Counts and floats as they are, eight bits about their zero at 128."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(array_source, "BLOCK_ROWS", block_rows)
        path = Path(folder) / "014.wav"
        wavfile.write(path, RATE_HZ, samples)
        opened = source(path)
        with opened.opened(tuple(range(samples.shape[1])), None) as (tables, _):
            found = np.concatenate([table.samples for table in tables], axis=1)
    wanted = samples.astype(np.float64) - (128.0 if samples.dtype == np.uint8 else 0.0)
    np.testing.assert_array_equal(found, np.where(np.isinf(wanted), np.nan, wanted).T)
    assert opened.columns == tuple(map(str, range(samples.shape[1])))
    assert set(opened.rates_hz) == {RATE_HZ}
    assert set(opened.units or ()) == {"1" if samples.dtype.kind == "f" else "count"}


@pytest.mark.parametrize("width", [2, 3, 4, 8])
@pytest.mark.parametrize(("kind", "order"), [(b"RIFF", "<"), (b"RIFX", ">")])
def test_integers_of_any_width(tmp_path: Path, width: int, kind: bytes, order: str) -> None:
    """The largest and smallest count too, in either endianness."""
    top = 2 ** (8 * width - 1)
    counts = np.array([[0, -top], [top - 1, 1], [-1, -2], [258, -258]], dtype=np.int64)
    head = form(8 * width, order=order)
    data = chunk(b"data", packed(counts, width, order), order)
    path = riff(tmp_path / "014.wav", head, data, kind=kind, order=order)

    np.testing.assert_array_equal(columns(path), counts.T.astype(np.float64))
    _, read = wavfile.read(path)
    shift = 8 if width == 3 else 0  # scipy leaves three bytes the upper ones of four
    np.testing.assert_array_equal(columns(path), (read.astype(np.int64) >> shift).T)


@pytest.mark.parametrize(
    ("head", "type_", "factor"),
    [
        (extensible(16, 16, 2, 1), "<i2", 1),
        (extensible(12, 16, 2, 1), "<i2", 16),
        (extensible(24, 32, 2, 1), "<i4", 256),
        (extensible(32, 32, 2, 3), "<f4", 1),
        (form(12), "<i2", 16),
    ],
)
def test_containers(tmp_path: Path, head: bytes, type_: str, factor: int) -> None:
    """Fewer valid bits stand in the container's upper ones, and it is the container that counts."""
    samples = (np.arange(-6, 6).reshape(6, 2) * factor).astype(type_)
    path = riff(tmp_path / "014.wav", head, chunk(b"data", samples.tobytes()))

    np.testing.assert_array_equal(columns(path), samples.T.astype(np.float64))


def test_chunks_of_other_things(tmp_path: Path) -> None:
    """Before and after the samples, of odd length too."""
    data = np.array([[3], [-4], [5]], "<i2")
    path = riff(
        tmp_path / "014.dat",
        chunk(b"bext", b"odd"),
        form(channels=1),
        chunk(b"LIST", b"INFOx"),
        chunk(b"data", data.tobytes()),
        chunk(b"cue ", bytes(7)),
    )

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # scipy does not know all of them
        _, read = wavfile.read(path)
    np.testing.assert_array_equal(columns(path)[0], read)


@pytest.mark.parametrize("kind", [b"RF64", b"BW64"])
def test_sizes_beyond_32_bits(tmp_path: Path, kind: bytes) -> None:
    """They stand in a chunk of their own."""
    data = np.array([[3, 1], [-4, 2]], "<i2").tobytes()
    sizes = chunk(b"ds64", struct.pack("<QQQI", 100, len(data), 2, 0))
    samples = chunk(b"data", data, size=0xFFFFFFFF)
    path = riff(tmp_path / "014.wav", sizes, form(), samples, kind=kind)

    np.testing.assert_array_equal(columns(path), [[3, -4], [1, 2]])


def test_one_sample_of_several_channels(tmp_path: Path) -> None:
    """Time runs along the frames even where there is one."""
    path = riff(tmp_path / "014.wav", form(), chunk(b"data", bytes([1, 0, 2, 0])))

    np.testing.assert_array_equal(columns(path), [[1], [2]])


def test_a_long_file_in_bounded_memory(tmp_path: Path) -> None:
    """Several blocks; held whole in double precision they would take 320 MB."""
    path = tmp_path / "014.wav"
    counts = np.arange(40_000_000, dtype=np.uint8).reshape(-1, 2) // 2
    wavfile.write(path, RATE_HZ, counts)

    rows = 0
    for block in recording(path).blocks([1]):
        part = counts[rows : rows + block.samples.shape[1], 1]
        np.testing.assert_array_equal(block.samples[0], part - 128.0)
        rows += len(part)
    assert rows == 20_000_000
    assert read_within_bounds(path) == "20000000"


DATA = chunk(b"data", bytes(8))


@pytest.mark.parametrize(
    ("chunks", "words"),
    [
        (
            [form(8, tag=6), DATA],
            r"format chunk: the samples are in format 6 \(A-law\); save it as",
        ),
        ([form(8, tag=7), DATA], r"in format 7 \(mu-law\)"),
        ([form(4, tag=0x11), DATA], r"in format 17 \(IMA ADPCM\)"),
        ([form(tag=0x1234), DATA], r"in format 4660; save it as PCM"),
        ([extensible(16, 16, 2, 2), DATA], r"in format 2 \(Microsoft ADPCM\)"),
        ([extensible(16, 16, 2, 1, bytes(12)), DATA], r"format is none of the known ones"),
        ([form(16, tag=3), DATA], r"format chunk: 2 channels in 4 bytes cannot be"),
        ([form(channels=0), DATA], r"0 channels in 0 bytes cannot be; copy the file again"),
        ([form(frame=5), DATA], r"2 channels in 5 bytes cannot be"),
        ([form(40, frame=8), DATA], r"40 bits in 4 bytes cannot be"),
        ([form(0, frame=4), DATA], r"0 bits in 2 bytes cannot be"),
        ([form(channels=6000), chunk(b"data", bytes(12000))], r"gives more than 4096 columns"),
        ([chunk(b"fmt ", bytes(10)), DATA], r"format chunk: it has 10 bytes, wanted 16 or more"),
        ([DATA, form()], r"the samples begin before any chunk says their format; copy the file"),
        ([form()], r"the file ends before its samples; copy the file again"),
        ([form(), chunk(b"LIST", bytes(6), size=0xFFFFFFF0)], r"the file ends before its samples"),
        ([form(), chunk(b"data", b"")], r"data chunk at byte 36: its size was never written, 0 by"),
        ([form(), chunk(b"data", bytes(8), size=0)], r"never written, 8 bytes follow; the logger"),
        ([form(), chunk(b"data", bytes(8), size=0xFFFFFFFF)], r"its size was never written, 8 by"),
        ([form(), chunk(b"data", bytes(8), size=12)], r"it promises 12 bytes, the file holds 8"),
        ([form(), chunk(b"data", bytes(6))], r"its 6 bytes end inside a sample of 2 channels"),
        ([form(), *[chunk(b"JUNK", b"")] * 1000, DATA], r"no samples within 1000 chunks"),
    ],
)
def test_a_file_that_is_refused(tmp_path: Path, chunks: list[bytes], words: str) -> None:
    """Compressed, never closed, cut short, or with a header that cannot be."""
    path = riff(tmp_path / "014.wav", *chunks)

    with pytest.raises(RecordingError, match=r"014\.wav[:,].*" + words):
        columns(path)


def test_the_header_says_the_rate(tmp_path: Path) -> None:
    """A recording goes by it where it is told to."""
    path = riff(tmp_path / "014.wav", form(), DATA)

    by_header = open_recording(path, FileOptions(), ClockOptions(rate_in_file=True))
    assert by_header.rate_hz == RATE_HZ
    assert [block.samples.shape for block in by_header.blocks([0, 1])] == [(2, 2)]


def test_no_rate_in_the_header(tmp_path: Path) -> None:
    """A rate of zero is none."""
    path = riff(tmp_path / "014.wav", form(rate_hz=0), DATA)

    assert source(path).rates_hz == (None, None)
