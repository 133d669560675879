"""Delimited text: one small file per quirk, with the numbers that were written into it."""

from __future__ import annotations

import gzip
import hashlib
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest.errors import RecordUseError
from ingest.readers import open_recording, part, text_chunks
from ingest.readers.tables import TimeColumn
from ingest.readers.text_chunks import Chunk
from ingest.readers.text_head import read_head
from ingest.readers.text_layout import find_layout
from ingest.readers.text_table import TableParser
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.readers_support import AT_1_KHZ, opened, read, write

VALUES = np.array([[0.25, -1.5, 3.0, 0.125], [10.0, 20.5, -30.0, 40.0]])  # (channels, samples)
ROWS = "0.25,10\n-1.5,20.5\n3,-30\n0.125,40\n"


def text_of(delimiter: str, decimal: str, values: NDArray[np.float64] = VALUES) -> str:
    rows = (delimiter.join(f"{value:g}".replace(".", decimal) for value in row) for row in values.T)
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("delimiter", "decimal"),
    [
        *((",", "."), (", ", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")),
        *(("|", "."), (" ", "."), (" ", ","), ("   ", "."), (" \t", ".")),
    ],
)
def test_delimiter_and_decimal_sign_are_found(tmp_path: Path, delimiter: str, decimal: str) -> None:
    """Every usual delimiter, with either decimal sign where it can be told from the delimiter."""
    text = delimiter.join(["fx", "fz"]) + "\n" + text_of(delimiter, decimal)

    recording = opened(tmp_path, text)

    assert recording.columns == ("fx", "fz")
    np.testing.assert_array_equal(read(recording, ["fz", "fx"]), VALUES[::-1])


@pytest.mark.parametrize(
    ("above", "columns", "units"),
    [
        ("", ("0", "1"), None),
        ("fx,fz\n", ("fx", "fz"), None),
        ("fx,fz\nN,mV\n", ("fx", "fz"), ("N", "mV")),
        ("fx,fz\n[N],(mV)\n", ("fx", "fz"), ("N", "mV")),
        ("fx,fz\n-,-\n", ("fx", "fz"), ("-", "-")),
        ('"fx","fz"\n"V","V/V"\n"Smp","Avg"\n', ("fx", "fz"), ("V", "V/V")),
        ("Hatchback, 30 %\nrate,1000\n\nfx,fz\n\n", ("fx", "fz"), None),
        ("Logger 7\nDate,2026-03-02\nGain,2.5\nfx,fz\nN,N\n", ("fx", "fz"), ("N", "N")),
        ("# any text\n# fx,fz\n", ("fx", "fz"), None),
        ("% made at noon\nfx,fz\n", ("fx", "fz"), None),
        ("# a remark, with, commas\n", ("0", "1"), None),
        ("x\n" * 3000 + "fx,fz\n", ("fx", "fz"), None),
        ("p,p\n", ("p", "p"), None),
        ("fx,\n", ("fx", "1"), None),
    ],
    ids=[
        *("bare", "header", "units", "bracketed", "dashes", "quoted", "preamble", "key-values"),
        *("comment-header", "comment", "prose", "long", "repeated", "unnamed"),
    ],
)
def test_what_stands_above_the_samples(
    tmp_path: Path, above: str, columns: tuple[str, ...], units: tuple[str, ...] | None
) -> None:
    """Preamble, header and units row are told from the samples and from each other."""
    recording = opened(tmp_path, above + ROWS)

    assert (recording.columns, recording.units) == (columns, units)
    np.testing.assert_array_equal(read(recording), VALUES)


def test_channels_named_by_their_numbers(tmp_path: Path) -> None:
    """Taps 1, 2, 3 after a time column are names and no samples."""
    recording = opened(tmp_path, "t,1,2,3\n0,5,6,7\n0.1,8,9,10\n")

    assert recording.columns == ("t", "1", "2", "3")
    np.testing.assert_array_equal(read(recording, ["2"]), [[6.0, 9.0]])


def test_one_name_for_many_columns(tmp_path: Path) -> None:
    """Columns beyond the header's last name are called by their index."""
    recording = opened(tmp_path, "t, alpha, p(3)\n0, 1, 2, 3, 4\n5, 6, 7, 8, 9\n")

    assert recording.columns == ("t", "alpha", "p(3)", "3", "4")
    np.testing.assert_array_equal(read(recording, [4, "3"]), [[4.0, 9.0], [3.0, 8.0]])


def test_names_with_blanks_in_a_table_of_blanks(tmp_path: Path) -> None:
    """Two blanks part the names; single ones stand inside them."""
    recording = opened(tmp_path, "Lift (N)   Drag force\n" + text_of("   ", "."))

    assert recording.columns == ("Lift (N)", "Drag force")
    np.testing.assert_array_equal(read(recording), VALUES)


def test_names_that_cannot_be_told_apart_give_way_to_indices(tmp_path: Path) -> None:
    """Four words over two columns name neither of them."""
    recording = opened(tmp_path, "Lift (N) Drag (N)\n" + text_of(" ", "."))

    assert recording.columns == ("0", "1")


def test_stated_rows_win_over_found_ones(tmp_path: Path) -> None:
    """Header and units where the sheet says, counted from zero over the whole file."""
    text = "a,b\nV,V\nfx,fz\n1,2\n" + ROWS

    recording = opened(tmp_path, text, file=FileOptions(skip_rows=4, header_row=2, units_row=1))

    assert (recording.columns, recording.units) == (("fx", "fz"), ("V", "V"))
    np.testing.assert_array_equal(read(recording), VALUES)


def test_units_row_is_found_below_a_stated_header(tmp_path: Path) -> None:
    """Only the header is stated; the units follow it."""
    recording = opened(tmp_path, "a,b\nfx,fz\nN,N\n" + ROWS, file=FileOptions(header_row=1))

    assert (recording.columns, recording.units) == (("fx", "fz"), ("N", "N"))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-le"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_encodings_and_line_ends(tmp_path: Path, encoding: str, end: str) -> None:
    """Each encoding is found by its bytes, with either line end, to the same names and samples."""
    text = ("Kräfte;°C\n" + text_of(";", ",")).replace("\n", end)

    recording = opened(tmp_path, text, encoding=encoding)

    assert recording.columns == ("Kräfte", "°C")
    np.testing.assert_array_equal(read(recording), VALUES)


@pytest.mark.parametrize("header", ["", "fx;fz\n", "fx;fz;\n"])
def test_a_trailing_delimiter_is_no_column(tmp_path: Path, header: str) -> None:
    """A delimiter at the end of every line of samples adds nothing."""
    rows = text_of(";", ".").replace("\n", ";\n")

    recording = opened(tmp_path, header + rows)

    assert len(recording.columns) == 2
    np.testing.assert_array_equal(read(recording), VALUES)


def test_comments_and_blank_lines_among_the_samples(tmp_path: Path) -> None:
    """They are passed over, the stated mark as well as the usual ones."""
    lines = text_of(",", ".").splitlines()
    lines[2:2] = ["!! restarted, at noon", "", "   "]

    usual = opened(tmp_path, "\n".join(lines).replace("!!", "#"))
    np.testing.assert_array_equal(read(usual), VALUES)

    stated = opened(tmp_path, "\n".join(lines) + "\n\n", file=FileOptions(comment="!!"))
    np.testing.assert_array_equal(read(stated), VALUES)


@pytest.mark.parametrize("marker", ["", "NaN", "NAN", "-", "#N/A", "inf", "1.#QNAN", '"NAN"'])
def test_usual_missing_markers(tmp_path: Path, marker: str) -> None:
    """Each stands for a sample that is not there."""
    recording = opened(tmp_path, f"fx,fz\n1,2\n3,{marker}\n5, {marker}\n7,8\n")

    np.testing.assert_array_equal(
        read(recording), [[1.0, 3.0, 5.0, 7.0], [2.0, np.nan, np.nan, 8.0]]
    )


def test_stated_missing_markers_are_numbers_or_words(tmp_path: Path) -> None:
    """999,999 is compared as a number, whatever its zeros; "lost" as a word."""
    text = "fx;fz\n1,5;999,9990\nlost;3,5\n2,5;4,5\n"

    recording = opened(tmp_path, text, file=FileOptions(missing=("999,999", "lost")))

    np.testing.assert_array_equal(read(recording), [[1.5, np.nan, 2.5], [np.nan, 3.5, 4.5]])


def test_columns_that_are_not_wanted_may_hold_text(tmp_path: Path) -> None:
    """Status words, also with the delimiter inside quotes, do not disturb the rest."""
    text = 'fx,status,fz\n1,OK,2\n3,"bad, late",4\n5,OK,6\n'

    recording = opened(tmp_path, text)

    np.testing.assert_array_equal(read(recording, ["fz", "fx"]), [[2, 4, 6], [1, 3, 5]])


def test_one_column_of_one_name(tmp_path: Path) -> None:
    """A single channel needs no delimiter; its name may stand in a comment."""
    recording = opened(tmp_path, "# lift\n0.5\n-0.25\n")

    assert recording.columns == ("lift",)
    np.testing.assert_array_equal(read(recording), [[0.5, -0.25]])


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize(("delimiter", "decimal"), [(",", "."), (";", ","), ("  ", ".")])
def test_one_channel_a_row(tmp_path: Path, named: bool, delimiter: str, decimal: str) -> None:
    """Rows are channels where few lines hold very many fields, and where the sheet says so."""
    long = np.random.default_rng(1).integers(-99, 99, (2, 300)) / 8.0
    names = ("fx", "fz") if named else ("0", "1")

    options: tuple[tuple[NDArray[np.float64], FileOptions], ...] = (
        (long, FileOptions()),
        (VALUES, FileOptions(orientation="rows")),
    )
    for values, file in options:
        rows = text_of(delimiter, decimal, values.T).splitlines()
        if named:
            rows = [name + delimiter + row for name, row in zip(names, rows, strict=True)]
        recording = opened(tmp_path, "\n".join(rows) + "\n", file=file)

        assert recording.columns == names
        assert recording.expected_samples == values.shape[1]
        np.testing.assert_array_equal(read(recording, [1, 0]), values[::-1])


def test_one_channel_a_row_with_missing_samples_and_a_time_row(tmp_path: Path) -> None:
    """Markers and time stamps work as in columns."""
    text = "t;0;0,5;1\nfx;1,5;lost;2\n"
    clock = ClockOptions(time_column="t")

    recording = opened(tmp_path, text, clock, FileOptions(orientation="rows", missing=("lost",)))

    assert recording.rate_hz == 2.0
    np.testing.assert_array_equal(read(recording, ["fx"]), [[1.5, np.nan, 2.0]])


def test_digest_is_of_the_bytes_on_disk_for_every_container(tmp_path: Path) -> None:
    """Plain, gzip and zip give the same samples, and each the digest of its own file."""
    plain = write(tmp_path, "fx,fz\n" + ROWS)
    zipped = tmp_path / "014.zip"
    with zipfile.ZipFile(zipped, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(plain, "../logger/014.csv")
    packed = tmp_path / "014.csv.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))

    for path in (plain, zipped, packed):
        recording = open_recording(path, FileOptions(), AT_1_KHZ)

        np.testing.assert_array_equal(read(recording), VALUES)
        assert recording.sha256 == (hashlib.sha256(path.read_bytes()).hexdigest(),)


def test_digest_covers_what_lies_behind_the_part_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reading may stop early; the digest is still of the whole file."""
    monkeypatch.setattr(text_chunks, "CHUNK_BYTES", 64)
    clock = ClockOptions(rate_hz=10.0, to_s=1.0)
    path = write(tmp_path, "".join(f"{n}\n" for n in range(100_000)))

    recording = open_recording(path, FileOptions(), clock)

    np.testing.assert_array_equal(read(recording), [np.arange(10.0)])
    assert recording.sha256 == (hashlib.sha256(path.read_bytes()).hexdigest(),)


def test_results_of_the_pass_are_refused_before_its_end(tmp_path: Path) -> None:
    """Digest and clock are not known yet."""
    recording = opened(tmp_path, ROWS)

    with pytest.raises(RecordUseError, match=r"014\.csv: the SHA-256 is known only after"):
        _ = recording.sha256
    with pytest.raises(RecordUseError, match=r"014\.csv: the clock is known only after"):
        _ = recording.clock


@pytest.mark.parametrize("chunk_bytes", [1, 7, 100, 1 << 20])
@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_samples_do_not_depend_on_where_the_stream_is_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chunk_bytes: int, encoding: str
) -> None:
    """Chunks end at line ends, however short they are, and blocks at any sample."""
    monkeypatch.setattr(text_chunks, "CHUNK_BYTES", chunk_bytes)
    monkeypatch.setattr(part, "BLOCK_ROWS", 3)

    recording = opened(tmp_path, "Größe\nfx,fz\nN,N\n" + ROWS, encoding=encoding)

    np.testing.assert_array_equal(read(recording), VALUES)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    values=st.lists(
        st.lists(st.none() | st.floats(-1e9, 1e9), min_size=3, max_size=3), min_size=2, max_size=9
    ).filter(lambda rows: all(any(column) for column in zip(*rows, strict=True))),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
)
def test_what_is_written_is_read(
    tmp_path: Path, values: list[list[float | None]], delimiter: str, decimal: str
) -> None:
    """Any numbers and gaps come back, to the last digit but one."""
    decimal = "." if delimiter == "," else decimal
    rows = (
        delimiter.join("NaN" if v is None else repr(v).replace(".", decimal) for v in row)
        for row in values
    )
    expected = np.array([[np.nan if v is None else v for v in row] for row in values]).T

    recording = opened(tmp_path, delimiter.join("abc") + "\n" + "\n".join(rows) + "\n")

    np.testing.assert_allclose(read(recording), expected, rtol=1e-15)


@pytest.mark.parametrize("missing", [(), ("999",)])
@pytest.mark.parametrize("time", [None, TimeColumn(0, None)])
def test_fast_and_slow_way_agree(
    tmp_path: Path, missing: tuple[str, ...], time: TimeColumn | None
) -> None:
    """The slow way, which words the errors, reads the same numbers as the fast one."""
    data = "t;a;b\n0;1,5;999\n1; NAN;\n2;-2e-3;inf\n\n3;+,5;7\n"
    file = FileOptions(missing=missing)
    layout = find_layout(read_head(write(tmp_path, data), None), file)
    parser = TableParser(tmp_path, layout, (2, 1, 2), time)
    chunk = Chunk(2, data.split("\n", 1)[1].encode(), is_last=True)

    fast, slow = parser._parse_fast(chunk.data, "tolerant"), parser._parse_slowly(chunk)

    assert fast is not None
    np.testing.assert_array_equal(fast.samples, slow.samples)
    np.testing.assert_array_equal(np.isnan(fast.samples[1]), [False, True, False, False])
    if time is not None:
        np.testing.assert_array_equal(fast.stamps, slow.stamps)


def test_what_stands_in_a_chunk_does_not_change_the_numbers_of_the_next(tmp_path: Path) -> None:
    """Plain floats, whole numbers with a minus zero or beyond 64 bits, then a missing sample."""
    chunks = ["0.1;-2.5e-3\n", "7;-0\n", "18446744073709551615;1\n", "1.5;\n", "0.1;-2.5e-3\n"]
    layout = find_layout(read_head(write(tmp_path, "a;b\n" + "".join(chunks)), None), FileOptions())
    parser = TableParser(tmp_path, layout, (0, 1), None)

    read = [
        parser.parse(Chunk(2 + i, text.encode(), False)).samples.T[0]
        for i, text in enumerate(chunks)
    ]

    wanted = [[0.1, -2.5e-3], [7.0, -0.0], [2.0**64, 1.0], [1.5, np.nan], [0.1, -2.5e-3]]
    np.testing.assert_array_equal(read, wanted)
    assert np.signbit(read[1][1])


@pytest.mark.parametrize("packed", [False, True])
def test_expected_samples_come_from_the_size_of_the_file(tmp_path: Path, packed: bool) -> None:
    """Within two per cent for even rows beyond the first look, of the part that is used."""
    text = "fx,fz\n" + "".join(f"{n % 89 + 10},0.123456789012345678\n" for n in range(250_000))
    path = write(tmp_path, text)
    if packed:
        path.write_bytes(gzip.compress(text.encode(), 1))

    whole = open_recording(path, FileOptions(), AT_1_KHZ)
    part = open_recording(path, FileOptions(), ClockOptions(rate_hz=1000.0, from_s=1, to_s=5))

    assert whole.expected_samples == pytest.approx(250_000, rel=0.02)
    assert part.expected_samples == 4000
