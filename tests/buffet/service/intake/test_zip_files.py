"""Archives are unpacked within limits, and those that play tricks are refused whole."""

from __future__ import annotations

import hashlib
import io
import struct
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from buffet.service.intake.errors import (
    BadArchiveError,
    BadNameError,
    IntakeError,
    NoSpaceError,
    TooLargeError,
)
from buffet.service.intake.limits import GIB, MIB, UploadLimits
from buffet.service.intake.zip_files import unpack
from tests.buffet.service.intake.archives import LINK, PIPE, RawZip, with_mode, zipped
from tests.buffet.service.intake.streams import full_disk, left_in

FILES = {
    "campaign.toml": b"format = 1\n",
    "runs/014.toml": b"format = 1\n" * 20,
    "runs/014 <b> – größer.csv": b"1;2\n" * 200_000,
    "runs/empty.csv": b"",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where files go."""
    place = tmp_path / "incoming"
    place.mkdir()
    return place


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("top", ["", "Kampagne 2026/"])
def test_an_archive_comes_out_as_it_went_in(
    tmp_path: Path, folder: Path, method: int, top: str
) -> None:
    """Names, contents and digests; the campaign's own folder is taken off, what desktops leave
    behind is ignored.
    """
    packed = {f"{top}{name}": content for name, content in FILES.items()}
    packed |= {f"__MACOSX/{top}._campaign.toml": b"x", f"{top}runs/.DS_Store": b"x"}
    archive = zipped(tmp_path / "a.zip", {**packed, f"{top}runs/Thumbs.db": b"x"}, method)
    with zipfile.ZipFile(archive, "a") as open_archive:
        open_archive.mkdir(f"{top}runs")

    found = unpack(archive, folder)

    assert {one.name: one.stored.path.read_bytes() for one in found} == FILES
    for one in found:
        assert one.stored.sha256 == hashlib.sha256(FILES[one.name]).hexdigest()
        assert one.stored.size == len(FILES[one.name])
    assert left_in(folder) == sorted(one.stored.path.name for one in found)


def test_an_archive_that_was_streamed_comes_out_too(tmp_path: Path, folder: Path) -> None:
    """Its sizes stand behind the content, as a packer writes that cannot go back."""

    class OneWay(io.RawIOBase):
        def __init__(self) -> None:
            self.written = b""

        def writable(self) -> bool:
            return True

        def write(self, data: bytes) -> int:  # type: ignore[override]
            self.written += bytes(data)
            return len(data)

    sink = OneWay()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in FILES.items():
            archive.writestr(name, content)
    (tmp_path / "a.zip").write_bytes(sink.written)

    found = unpack(tmp_path / "a.zip", folder)

    assert {one.name: one.stored.path.read_bytes() for one in found} == FILES


def test_names_in_utf_8_without_the_flag_are_read_as_such(tmp_path: Path, folder: Path) -> None:
    """Some packers leave it out; others write code page 437."""
    raw = RawZip().add("größer.csv".encode(), b"1").add("kürzer.csv".encode("cp437"), b"2")

    found = unpack(raw.write(tmp_path / "a.zip"), folder)

    assert [one.name for one in found] == ["größer.csv", "kürzer.csv"]


def test_an_archive_in_an_archive_stays_packed(tmp_path: Path, folder: Path) -> None:
    """It is a file like any other."""
    inner = zipped(tmp_path / "inner.zip", {"a.csv": b"1"}).read_bytes()

    (one,) = unpack(zipped(tmp_path / "a.zip", {"runs/inner.zip": inner}), folder)

    assert one.name == "runs/inner.zip"
    assert one.stored.path.read_bytes() == inner


def encrypted() -> RawZip:
    """An entry that says it needs a password."""
    return RawZip().add(b"a.csv", b"1", flags=1)


def overlapping() -> RawZip:
    """A second entry inside the first one's content."""
    raw = RawZip().add(b"a.csv", b"1234567890" * 10, method=0)
    return raw.add(b"b.csv", b"1", at=0)


def quoted() -> RawZip:
    """The header of b.csv is content of a.csv, and so on: each entry holds all that follow."""
    inner = RawZip().add(b"b.csv", b"1" * 50, method=0)
    raw = RawZip().add(b"a.csv", inner.body, method=0)
    return raw.add(b"b.csv", b"1" * 50, method=0, at=30 + len(b"a.csv"))


REFUSED: list[tuple[Callable[[], RawZip], type[IntakeError], str]] = [
    (lambda: RawZip().add(b"../evil.csv", b"1"), BadNameError, r"holds '\.\.'"),
    (lambda: RawZip().add(b"runs/../../evil", b"1"), BadNameError, r"holds '\.\.'"),
    (lambda: RawZip().add(b"/etc/passwd", b"1"), BadNameError, "is absolute"),
    (lambda: RawZip().add(b"C:/evil", b"1"), BadNameError, "is absolute"),
    (lambda: RawZip().add(b"runs\\014.toml", b"1"), BadNameError, "holds a backslash"),
    (lambda: RawZip().add(b"a.csv\0.toml", b"1"), BadNameError, r"holds U\+0000"),
    (lambda: RawZip().add(b"", b"1"), BadNameError, "is empty"),
    (lambda: RawZip().add(b"../", b""), BadNameError, r"holds '\.\.'"),
    (lambda: RawZip().add(b"a.csv", b"1").add(b"a.csv", b"2"), BadNameError, "twice"),
    (lambda: RawZip().add(b"a.csv", b"1").add(b"A.csv", b"2"), BadNameError, "upper and lower"),
    (lambda: RawZip().add(b"a", b"1").add(b"a/b", b"2"), BadNameError, "file and a folder"),
    (encrypted, BadArchiveError, "entry 'a.csv', is encrypted; pack it without a password"),
    (lambda: RawZip().add(b"a", b"1", flags=0x40), BadArchiveError, "is encrypted"),
    (lambda: RawZip().add(b"a", b"1", method=14), BadArchiveError, "is packed by method 14"),
    (lambda: RawZip().add(b"a", b"1", method=99), BadArchiveError, "is packed by method 99"),
    (overlapping, BadArchiveError, "overlaps another entry"),
    (quoted, BadArchiveError, "overlaps another entry"),
    (lambda: RawZip().add(b"a", b"1", at=0), BadArchiveError, "its header is not where"),
    (lambda: RawZip().add(b"a", b"1").add(b"b", at=9999), BadArchiveError, "header is not where"),
    (
        lambda: RawZip().add(b"a.csv", b"1", packed_size=500),
        BadArchiveError,
        "its entries reach into its directory",
    ),
    (
        lambda: RawZip().add(b"good.csv", b"1", local_name=b"evil.csv"),
        BadArchiveError,
        "its header and the directory differ",
    ),
    (lambda: RawZip().add(b"a", b"12", size=1), BadArchiveError, "is not the 1 bytes"),
    (lambda: RawZip().add(b"a", b"12", size=3), BadArchiveError, "is not the 3 bytes"),
    (lambda: RawZip().add(b"a", b"12", size=1, method=0), BadArchiveError, "is not the 1 bytes"),
    (lambda: RawZip().add(b"a", b"12", crc=7), BadArchiveError, "check sum is wrong"),
    (lambda: RawZip().add(b"a", packed=b"\xff\xff", size=2), BadArchiveError, "is damaged"),
    (lambda: RawZip().add(b"a", packed=b"", size=0), BadArchiveError, "it ends early"),
    (
        lambda: RawZip().add(b"a", b"", packed=b"\3\0more", size=0),
        BadArchiveError,
        "more follows after its end",
    ),
    (lambda: RawZip().add(b"a/", b"content"), BadArchiveError, "is a folder with content"),
    (
        lambda: RawZip().add(b"b.toml", b"1", size=30 * MIB),
        TooLargeError,
        "'b.toml' states 30 MiB, longer than the 1 MiB",
    ),
    (
        lambda: RawZip().add(b"a.csv", b"1", size=3 * GIB),
        TooLargeError,
        "unpacks to more than 16 MiB, 200 times its own size",
    ),
    (
        lambda: RawZip().add(b"a.toml", b"1", size=2 * MIB),
        TooLargeError,
        "'a.toml' states 2 MiB, longer than the 1 MiB",
    ),
]


@pytest.mark.parametrize(("make", "error", "problem"), REFUSED, ids=[c[2][:40] for c in REFUSED])
def test_an_archive_that_plays_tricks_is_refused_whole(
    tmp_path: Path, folder: Path, make: Callable[[], RawZip], error: type[IntakeError], problem: str
) -> None:
    """Nothing of it stays, not even the good entry before."""
    raw = make()
    archive = raw.write(tmp_path / "a.zip")

    with pytest.raises(error, match=problem):
        unpack(archive, folder)

    assert left_in(folder) == []
    assert left_in(tmp_path) == ["a.zip", "incoming"]


@pytest.mark.parametrize(("mode", "problem"), [(LINK, "is a link"), (PIPE, "is a special file")])
def test_links_and_special_files_are_refused(
    tmp_path: Path, folder: Path, mode: int, problem: str
) -> None:
    """Also among what desktops leave behind."""
    for name in ("runs/014.csv", "__MACOSX/x"):
        with pytest.raises(BadArchiveError, match=f"{problem}; pack the files themselves"):
            unpack(with_mode(tmp_path / "a.zip", name, b"/etc/passwd", mode), folder)

    assert left_in(folder) == []


def bomb(n_bytes: int) -> bytes:
    """Zeros, deflated a thousandfold."""
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
    zeros = bytes(MIB)
    return b"".join([deflate.compress(zeros) for _ in range(n_bytes // MIB)]) + deflate.flush()


def test_a_bomb_that_states_its_size_is_refused_unread(tmp_path: Path, folder: Path) -> None:
    """64 MiB out of 64 KiB."""
    raw = RawZip().add(b"a.csv", packed=bomb(64 * MIB), size=64 * MIB)

    with pytest.raises(TooLargeError, match="unpacks to more than 16 MiB, 200 times its own size"):
        unpack(raw.write(tmp_path / "a.zip"), folder)

    assert left_in(folder) == []


def test_a_bomb_that_lies_is_stopped_at_its_lie(tmp_path: Path, folder: Path) -> None:
    """It states a kilobyte; two pieces of it are unpacked at most, and little memory is taken."""
    raw = RawZip().add(b"a.csv", packed=bomb(64 * MIB), size=1000)
    archive = raw.write(tmp_path / "a.zip")

    tracemalloc.start()
    with pytest.raises(BadArchiveError, match="is not the 1000 bytes that it states"):
        unpack(archive, folder)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert peak < 6 * MIB
    assert left_in(folder) == []


def test_what_all_entries_unpack_to_is_counted_together(tmp_path: Path, folder: Path) -> None:
    """Against the limit of the whole archive."""
    archive = zipped(tmp_path / "a.zip", {"a": b"x" * 600, "b": b"y" * 600})
    limits = UploadLimits(total_bytes=1000)

    with pytest.raises(TooLargeError, match="unpacks to more than 1000 bytes, the limit here"):
        unpack(archive, folder, limits)

    assert len(unpack(archive, folder, UploadLimits(total_bytes=1200))) == 2


def test_too_many_entries_are_refused(tmp_path: Path, folder: Path) -> None:
    """As listed, and before the list is read where it states to be long."""
    files = {f"{number}.csv": b"1" for number in range(30)}
    archive = zipped(tmp_path / "a.zip", files)

    with pytest.raises(TooLargeError, match="has 30 entries; wanted 29 or fewer"):
        unpack(archive, folder, UploadLimits(entries=29))
    with pytest.raises(TooLargeError, match=r"directory takes .* more than 1 entries need"):
        unpack(archive, folder, UploadLimits(entries=1))
    assert left_in(folder) == []


def test_a_directory_of_gigabytes_is_not_read(tmp_path: Path, folder: Path) -> None:
    """Stated in the record for large archives, while the usual one says little."""
    raw = RawZip().add(b"a.csv", b"1").write(tmp_path / "a.zip").read_bytes()
    end = raw[-22:]
    large = b"PK\6\6" + struct.pack("<QHHIIQQQQ", 44, 45, 45, 0, 0, 1, 1, 8 * GIB, 0)
    locator = b"PK\6\7" + struct.pack("<IQI", 0, len(raw) - 22, 1)
    (tmp_path / "b.zip").write_bytes(raw[:-22] + large + locator + end)

    with pytest.raises(TooLargeError, match="the archive's directory takes 8 GiB"):
        unpack(tmp_path / "b.zip", folder)


@pytest.mark.parametrize("kept", [0, 10, 200, 0.5, -1])
def test_an_archive_cut_short_is_refused(tmp_path: Path, folder: Path, kept: float) -> None:
    """Wherever it ends."""
    whole = zipped(tmp_path / "a.zip", FILES).read_bytes()
    n_bytes = int(kept * len(whole)) if 0 < kept < 1 else int(kept)
    (tmp_path / "a.zip").write_bytes(whole[:n_bytes])

    with pytest.raises(BadArchiveError, match=r"is damaged .*; pack it anew as a zip"):
        unpack(tmp_path / "a.zip", folder)

    assert left_in(folder) == []


def test_any_damaged_byte_is_refused_or_does_no_harm(tmp_path: Path, folder: Path) -> None:
    """Each byte of a small archive turned over: the same files, or one clear error."""
    whole = zipped(tmp_path / "a.zip", {"a.csv": b"1;2\n" * 9, "runs/b.toml": b"x"}).read_bytes()
    archive = tmp_path / "b.zip"
    refused = 0
    for place in range(len(whole)):
        archive.write_bytes(whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :])
        try:
            found = unpack(archive, folder)
        except IntakeError:
            refused += 1
        else:
            contents = {one.stored.path.read_bytes() for one in found}
            assert contents <= {b"1;2\n" * 9, b"x"}
            for one in found:
                one.stored.path.unlink()
        assert left_in(folder) == []

    assert refused > len(whole) / 2


def test_a_full_disk_says_so(tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing stays."""
    full_disk(monkeypatch, 400_000)

    with pytest.raises(NoSpaceError, match="is full"):
        unpack(zipped(tmp_path / "a.zip", FILES), folder)

    assert left_in(folder) == []
