"""Every way in which a text recording is refused, with the words that help to mend it."""

from __future__ import annotations

import gzip
import re
import zipfile
from pathlib import Path

import pytest

from ingest.errors import RecordingError
from ingest.readers import open_recording, text_chunks
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.readers_support import AT_1_KHZ, opened, read, write

TABLE = "t,fx,fz\n" + "".join(f"{n},{n % 7},{n % 5}.5\n" for n in range(20))
BY_T = ClockOptions(time_column="t")


@pytest.mark.parametrize(
    ("text", "file", "words"),
    [
        ("", FileOptions(), r"the file is empty; check that the logger has saved it"),
        (" \n\n", FileOptions(), r"the file is empty"),
        ("t,fx,fz\n", FileOptions(), r"no samples; the last line is 't,fx,fz'; check that the"),
        ("# t fx fz\n", FileOptions(), r"no samples; the last line is '# t fx fz'"),
        ("t,fx\ns,N\n,\n", FileOptions(), r"there are no samples"),
        (TABLE, FileOptions(header_row=21), r"header_row = 21 is too far down: the file has 21 l"),
        (TABLE, FileOptions(units_row=30), r"units_row = 30 .* state a units_row below 21"),
        (TABLE, FileOptions(skip_rows=21), r"skip_rows = 21 is too far down.*rows count from zero"),
        (TABLE, FileOptions(header_row=20), r"there are no samples"),
        (TABLE, FileOptions(delimiter=";"), r"delimiter ';' does not split '19,5,4\.5' into num"),
        (TABLE, FileOptions(delimiter=",", decimal=","), r"delimiter and decimal are both ','; s"),
        (
            TABLE,
            FileOptions(encoding="utf-16"),
            r"the text is not in utf-16 .*; leave encoding out",
        ),
        (TABLE, FileOptions(encoding="utf-9"), r"encoding 'utf-9' is unknown; state e\.g\. \"utf"),
    ],
)
def test_a_text_without_a_layout(tmp_path: Path, text: str, file: FileOptions, words: str) -> None:
    """What is not there, and what to state."""
    with pytest.raises(RecordingError, match=r"014\.csv: .*" + words):
        opened(tmp_path, text, file=file)


def test_the_last_row_alone_is_a_recording(tmp_path: Path) -> None:
    """Skipping all rows but one leaves one sample."""
    recording = opened(tmp_path, TABLE, file=FileOptions(skip_rows=20))

    assert read(recording).tolist() == [[19.0], [5.0], [4.5]]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("7,0,2.5", "7,0"), r"line 9: 2 fields, expected 3; mend or delete the line"),
        (("7,0,2.5", "7,0,2,5"), r"line 9: 4 fields, expected 3"),
        (("0,0,0.5", "0,0"), r"line 2: 2 fields, expected 3"),
        (("19,5,4.5\n", "19,5"), r"line 21: 2 fields, expected 3; the file ends inside a row"),
        (
            ("7,0,2.5", "7,err,2.5"),
            r"line 9, column 'fx': 'err' is no number; .*missing = \['e",
        ),
        (("0,0,0.5", "0,0,err"), r"line 2, column 'fz': 'err' is no number"),
        (("7,0,2.5", "7,0,0x1F"), r"line 9, column 'fz': '0x1F' is no number"),
        (("7,0,2.5", "7,0,2.\x00"), r"line 9: a NUL byte, which no text holds; .*cut the file"),
        (("t,fx,fz", "t,fx,fz,my"), r"line 2: 3 fields, expected 4"),
    ],
)
@pytest.mark.parametrize("chunk_bytes", [16, 1 << 20])
def test_a_damaged_row(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    chunk_bytes: int,
    change: tuple[str, str],
    words: str,
) -> None:
    """File, line, column and what stands there, wherever the stream was cut."""
    monkeypatch.setattr(text_chunks, "CHUNK_BYTES", chunk_bytes)
    text = TABLE.replace(*change, 1)
    assert text != TABLE

    with pytest.raises(RecordingError, match=r"014\.csv, " + words):
        read(opened(tmp_path, text), ["fz", "fx"])


def test_ragged_rows_between_blanks(tmp_path: Path) -> None:
    """A short row has no empty field where blanks part the fields, and is found all the same."""
    text = TABLE.replace(",", "  ").replace("7  0  2.5", "7  0")

    with pytest.raises(RecordingError, match="line 9: 2 fields, expected 3"):
        read(opened(tmp_path, text), ["t"])


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ("fx_", r"column 'fx_': the recording has no column of this name; the columns are 'fx', "),
        (3, r"column 3: the recording has 3 columns; state an index from 0 to 2"),
        (-1, r"column -1: the recording has 3 columns"),
    ],
)
def test_a_missing_column(tmp_path: Path, wanted: str | int, words: str) -> None:
    """The columns there are, the likeliest first."""
    with pytest.raises(RecordingError, match=words):
        read(opened(tmp_path, TABLE), [wanted])


def test_a_missing_column_among_many(tmp_path: Path) -> None:
    """A screenful of the likeliest names is enough."""
    names = [f"tap {n}" for n in range(40)]
    text = ",".join(names) + "\n" + ",".join("1.5" for _ in names) + "\n"

    with pytest.raises(RecordingError, match=r"columns are 'tap 3'.* and 28 more$"):
        read(opened(tmp_path, text), ["tap3"])


def test_a_repeated_name(tmp_path: Path) -> None:
    """Only the index tells two columns of one name apart."""
    text = TABLE.replace("fz", "fx", 1)

    with pytest.raises(RecordingError, match="'fx': the name occurs 2 times, at the indices 1, 2"):
        read(opened(tmp_path, text), ["fx"])
    assert read(opened(tmp_path, text), [2])[0, 0] == 0.5


def test_a_column_without_a_sample(tmp_path: Path) -> None:
    """A channel that is missing from beginning to end is refused at the end of the pass."""
    text = re.sub(r",\d\.5\n", ",NaN\n", TABLE)

    with pytest.raises(RecordingError, match=r"column 'fz': every sample is missing \(20 of 20\)"):
        read(opened(tmp_path, text), ["fx", "fz"])


def test_the_time_column_as_a_channel(tmp_path: Path) -> None:
    """Written times are no samples; numbers are."""
    text = "t,fx\n2026-03-02T10:14:00,1\n2026-03-02T10:14:01,2\n"

    with pytest.raises(RecordingError, match="column 't': this is the time column and holds no"):
        read(opened(tmp_path, text, BY_T), ["t"])
    assert read(opened(tmp_path, TABLE, BY_T), ["t"])[0, -1] == 19.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("\n7,", "\nx,"), r"line 9, column 't': the time stamp is 'x', wanted a number"),
        (("\n7,", "\n,"), r"line 9, column 't': the time stamp is '', wanted a number, as in"),
        (("\n7,", "\nNaN,"), r"the time stamp is 'NaN', .* or a rate instead of time_column"),
    ],
)
def test_a_damaged_numeric_stamp(tmp_path: Path, change: tuple[str, str], words: str) -> None:
    """Without it the clock is unknown."""
    with pytest.raises(RecordingError, match=words):
        read(opened(tmp_path, TABLE.replace(*change), BY_T), ["fx"])


@pytest.mark.parametrize("bad", ["2026-03-02 10:14:61", "noon", ""])
def test_a_damaged_written_stamp(tmp_path: Path, bad: str) -> None:
    """The line, the text and the format that was tried."""
    rows = [f"2026-03-02 10:14:{n:02d},{n}" for n in range(20)]
    rows[7] = f"{bad},7"
    text = "t,fx\n" + "\n".join(rows)

    with pytest.raises(
        RecordingError, match=rf"line 9, column 't': the time stamp is '{bad}', wanted .*'iso'"
    ):
        read(opened(tmp_path, text, BY_T), ["fx"])


@pytest.mark.parametrize(
    ("clock", "words"),
    [
        (ClockOptions(), r"the sample rate is unknown; state a rate or a time_column"),
        (ClockOptions(time_column="T"), r"column 'T': the recording has no column"),
        (ClockOptions(time_column="k"), r"column 'k': the time stamps do not advance"),
    ],
)
def test_no_sample_rate(tmp_path: Path, clock: ClockOptions, words: str) -> None:
    """Neither a stated rate nor stamps that tell one."""
    text = "k,fx\n1,2\n1,3\n1,4\n"

    with pytest.raises(RecordingError, match=words):
        opened(tmp_path, text, clock)


@pytest.mark.parametrize(
    ("clock", "words"),
    [
        (
            ClockOptions(time_column="t", from_s=30.0),
            r"from 30 s to the end; the recording holds 20 samples over 19 s; state `from`",
        ),
        (ClockOptions(rate_hz=10.0, from_s=1.5, to_s=1.5), r"no samples from 1\.5 s to 1\.5 s"),
        (ClockOptions(rate_hz=10.0, to_s=0.0), r"no samples from 0 s to 0 s; "),
        (ClockOptions(rate_hz=10.0, from_s=2.0), r"holds 20 samples over 2 s"),
    ],
)
def test_nothing_between_from_and_to(tmp_path: Path, clock: ClockOptions, words: str) -> None:
    """The span that there is."""
    with pytest.raises(RecordingError, match=words):
        read(opened(tmp_path, TABLE, clock), ["fx"])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"fLaC\x00\x00\x00\x22\x10", r"no reader .* \(it begins with 66 4c 61 43 00 00 00 22\)"),
        (b"\x7fELF\x02\x01\x01\x00\x00", r"wanted delimited text .* or MDF 4; unpack what is"),
    ],
)
def test_a_file_that_is_no_text(tmp_path: Path, content: bytes, words: str) -> None:
    """Its first bytes, and what can be read instead."""
    path = tmp_path / "014.csv"
    path.write_bytes(content)

    with pytest.raises(RecordingError, match=words):
        open_recording(path, FileOptions(), AT_1_KHZ)


@pytest.mark.parametrize("keep", [12, 0.5, -4])
def test_a_gzip_file_cut_short(tmp_path: Path, keep: float) -> None:
    """Within the first look or behind it."""
    packed = gzip.compress(TABLE.encode() + b"20,1,1.5\n" * 900_000)
    path = tmp_path / "014.csv.gz"
    path.write_bytes(packed[: int(keep * len(packed)) if keep == 0.5 else int(keep)])

    with pytest.raises(RecordingError, match=r"gz: the compressed data are damaged .*; copy the"):
        read(open_recording(path, FileOptions(), AT_1_KHZ))


def test_a_damaged_archive(tmp_path: Path) -> None:
    """A changed byte fails the archive's check sum."""
    path = tmp_path / "014.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("014.csv", TABLE)
    path.write_bytes(path.read_bytes().replace(b"19,5,4.5", b"19,5,4.6"))

    with pytest.raises(RecordingError, match=r"compressed data are damaged .*CRC"):
        read(open_recording(path, FileOptions(), AT_1_KHZ))


def test_an_archive_whose_directory_points_nowhere(tmp_path: Path) -> None:
    """The operating system refuses to go to where the archive says its content is."""
    path = tmp_path / "014.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("014.csv", TABLE)
    path.write_bytes(path.read_bytes()[:40] + path.read_bytes()[150:])

    with pytest.raises(RecordingError, match=r"the file cannot be read \(.*\); check disk"):
        read(open_recording(path, FileOptions(), AT_1_KHZ))


@pytest.mark.parametrize(
    ("members", "words"),
    [
        (["a.csv", "b.csv"], r"the archive holds 2 files \(a\.csv, b\.csv\); pack exactly one"),
        (["logs/"], r"the archive holds 0 files \(none\)"),
    ],
)
def test_an_archive_without_exactly_one_file(
    tmp_path: Path, members: list[str], words: str
) -> None:
    """There is no telling which one is meant."""
    path = tmp_path / "014.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for member in members:
            archive.writestr(member, "" if member.endswith("/") else TABLE)

    with pytest.raises(RecordingError, match=words):
        open_recording(path, FileOptions(), AT_1_KHZ)


def test_an_encrypted_archive(tmp_path: Path) -> None:
    """The flag in the archive's directory says so."""
    path = tmp_path / "014.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("014.csv", TABLE)
    raw = bytearray(path.read_bytes())
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # general purpose flags
        raw[raw.index(signature) + offset] |= 1
    path.write_bytes(raw)

    with pytest.raises(RecordingError, match="the archive is encrypted; pack it without"):
        open_recording(path, FileOptions(), AT_1_KHZ)


def test_an_archive_with_an_unknown_compression(tmp_path: Path) -> None:
    """A method number that no one has assigned is taken for damage."""
    path = tmp_path / "014.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("014.csv", TABLE)
    raw = bytearray(path.read_bytes())
    for signature, offset in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):  # compression method
        raw[raw.index(signature) + offset] = 77
    path.write_bytes(raw)

    with pytest.raises(RecordingError, match=r"data are damaged \(That compression method is not"):
        open_recording(path, FileOptions(), AT_1_KHZ)


def test_a_path_without_a_file(tmp_path: Path) -> None:
    """A missing file and a folder are told apart."""
    with pytest.raises(RecordingError, match=r"015\.csv: there is no such file; check"):
        open_recording(tmp_path / "015.csv", FileOptions(), AT_1_KHZ)
    with pytest.raises(RecordingError, match="this is a folder; name one file"):
        open_recording(tmp_path, FileOptions(), AT_1_KHZ)


@pytest.mark.parametrize(
    ("text", "clock", "words"),
    [
        ("1,2,3\n4,5\n", AT_1_KHZ, r"line 2: 2 samples, expected 3 as in the first row; mend"),
        ("fx,1,2\nfz,4,err\n", AT_1_KHZ, r"line 2, sample 2: 'err' is no number; where"),
        (
            "t,2026-03-02T10:14:00,late\nfz,4,5\n",
            BY_T,
            r"line 1, sample 2: the time stamp is 'late', wanted .* 'iso'; state time_format",
        ),
    ],
)
def test_faults_with_one_channel_a_row(
    tmp_path: Path, text: str, clock: ClockOptions, words: str
) -> None:
    """Line and place in it."""
    with pytest.raises(RecordingError, match=words):
        read(opened(tmp_path, text, clock, FileOptions(orientation="rows")), [1])


def test_an_abandoned_pass_leaves_nothing_open(tmp_path: Path) -> None:
    """A consumer may stop after the first block; a second pass reads all again."""
    recording = open_recording(write(tmp_path, TABLE), FileOptions(), AT_1_KHZ)

    blocks = recording.blocks(["fx"])
    next(blocks)
    del blocks  # an open file would warn here, and warnings are errors

    assert read(recording, ["fx"]).shape == (1, 20)
