"""What a zip archive says it holds, checked before a byte of it is unpacked."""

from __future__ import annotations

import stat
import struct
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO

from buffet.service.intake.errors import BadArchiveError, TooLargeError, size_text
from buffet.service.intake.limits import MIB, UploadLimits
from buffet.service.intake.names import checked_name, checked_names, without_top_folder

# Numbers of APPNOTE.TXT: 4.4.4 (flags), 4.4.5 (methods), 4.3.7 and 4.3.16 (signatures, lengths).
_ENCRYPTED = 0x1 | 0x40 | 0x2000
STORED, DEFLATED = 0, 8
_LOCAL, _LOCAL_BYTES = b"PK\x03\x04", 30
_END, _END_BYTES, _END_SIZE_AT, _LONGEST_COMMENT = b"PK\x05\x06", 22, 12, 0xFFFF
_END_64, _END_64_BYTES, _END_64_SIZE_AT, _LOCATOR_BYTES = b"PK\x06\x06", 56, 40, 20
# Of an entry in the directory: 46 bytes, its name, and some 50 of times and owners.
_DIRECTORY_ENTRY_BYTES = 256
# An archive may always unpack to so much: a few short silent recordings pack a thousandfold.
_HARMLESS_BYTES = 16 * MIB
# What desktops leave in archives: forks, window places, thumbnails.
_LEFT_BEHIND = {".DS_Store", "Thumbs.db"}
_MAC_FORKS = "__MACOSX"


@dataclass(frozen=True)
class Entry:
    """One file of an archive."""

    name: str  # checked, without the common top folder
    start: int  # of its packed bytes, in the archive's file
    packed: int  # bytes
    size: int  # unpacked, as stated
    crc: int
    method: int


def listed(file: IO[bytes], limits: UploadLimits) -> tuple[Entry, ...]:
    """The files of an archive, in its order.

    Raises
    ------
    BadArchiveError
        It is damaged, or has links, other special files, encrypted or overlapping entries, or
        entries packed otherwise than by deflate.
    BadNameError
        A name cannot be kept, stands there twice, or collides with another.
    TooLargeError
        More entries or bytes than may be, as it states itself.
    """
    end = _directory_start(file, limits)
    infos = _directory(file)
    if len(infos) > limits.entries:
        raise TooLargeError(
            f"the archive has {len(infos)} entries; wanted {limits.entries} or fewer: "
            "send it in parts"
        )
    for info in infos:
        _require_plain(info)
    files = [info for info in infos if not _is_folder(info) and not _is_left_behind(_name(info))]
    names = checked_names([_name(info) for info in files], limits)
    for info in infos:
        if _is_folder(info) and not _is_left_behind(_name(info)):
            checked_name(_name(info).removesuffix("/"), limits)
    _require_bounded(files, file, limits)
    starts = _starts(file, infos, end)
    short = without_top_folder(names)
    return tuple(
        Entry(
            name=name,
            start=starts[info.header_offset],
            packed=info.compress_size,
            size=info.file_size,
            crc=info.CRC,
            method=info.compress_type,
        )
        for name, info in zip(short, files, strict=True)
    )


def _directory(file: IO[bytes]) -> list[zipfile.ZipInfo]:
    try:
        with zipfile.ZipFile(file) as archive:
            return archive.infolist()
    except (zipfile.BadZipFile, NotImplementedError, ValueError, struct.error) as error:
        raise _damaged(str(error)) from error


def _damaged(why: str, entry: str | None = None) -> BadArchiveError:
    return BadArchiveError(f"is damaged ({why})", "pack it anew as a zip and send it again", entry)


def _directory_start(file: IO[bytes], limits: UploadLimits) -> int:
    """Where the directory begins; one of a huge number of entries is refused unread."""
    length = file.seek(0, 2)
    longest = _LONGEST_COMMENT + _END_BYTES + _LOCATOR_BYTES + _END_64_BYTES
    file.seek(max(0, length - longest))
    tail = file.read()
    at = tail.rfind(_END)
    if at < 0 or len(tail) < at + _END_BYTES:
        raise _damaged("its end is not there: it was cut short, or it is no zip")
    (size,) = struct.unpack_from("<I", tail, at + _END_SIZE_AT)
    end = length - len(tail) + at
    # A record for large archives stands before it, and goes first whatever the other one says.
    at_64 = at - _LOCATOR_BYTES - _END_64_BYTES
    if at_64 >= 0 and tail.startswith(_END_64, at_64):
        (size,) = struct.unpack_from("<Q", tail, at_64 + _END_64_SIZE_AT)
        end = length - len(tail) + at_64
    if size > limits.entries * _DIRECTORY_ENTRY_BYTES:
        raise TooLargeError(
            f"the archive's directory takes {size_text(size)}, more than {limits.entries} entries "
            "need: send it in parts"
        )
    return int(end - size)


def _name(info: zipfile.ZipInfo) -> str:
    """As the archive has it, NUL and backslash included.

    Without the flag that says UTF-8 (bit 11) a name is in code page 437; some packers write UTF-8
    all the same, which nobody's names in that code page happen to be.
    """
    name = info.orig_filename
    if not info.flag_bits & 0x800:
        try:
            return name.encode("cp437").decode()
        except UnicodeError:
            pass
    return name


def _is_folder(info: zipfile.ZipInfo) -> bool:
    return _name(info).endswith("/")


def _is_left_behind(name: str) -> bool:
    parts = name.split("/")
    return parts[0] == _MAC_FORKS or parts[-1] in _LEFT_BEHIND


def _require_plain(info: zipfile.ZipInfo) -> None:
    """Refuse whatever is no plain file or folder, or cannot be unpacked by deflate."""
    name, kind = _name(info), stat.S_IFMT(info.external_attr >> 16)
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
        what = "a link" if kind == stat.S_IFLNK else "a special file"
        raise BadArchiveError(f"is {what}", "pack the files themselves", name)
    if (kind == stat.S_IFDIR) != _is_folder(info) and kind != 0:
        raise BadArchiveError("is a folder by one word and a file by another", "pack anew", name)
    if info.flag_bits & _ENCRYPTED:
        raise BadArchiveError("is encrypted", "pack it without a password", name)
    if info.compress_type not in (STORED, DEFLATED):
        method = f"is packed by method {info.compress_type}"
        raise BadArchiveError(method, "pack it as a plain zip (deflate)", name)
    if _is_folder(info) and info.file_size:
        raise BadArchiveError("is a folder with content", "pack anew", name)


def _require_bounded(
    files: Sequence[zipfile.ZipInfo], file: IO[bytes], limits: UploadLimits
) -> None:
    """Refuse early what states itself to be too much; `unpacking` counts what comes."""
    for info in files:
        if info.file_size > (limit := limits.of_file(_name(info))):
            raise TooLargeError(
                f"the archive's entry {_name(info)!r} states {size_text(info.file_size)}, longer "
                f"than the {size_text(limit)} that one file may have"
            )
    total = sum(info.file_size for info in files)
    if total > (most := largest_total(file.seek(0, 2), limits)):
        raise beyond_total(most, limits)


def largest_total(packed: int, limits: UploadLimits) -> int:
    """Bytes that an archive of this size may unpack to."""
    return int(min(limits.total_bytes, max(limits.ratio * packed, _HARMLESS_BYTES)))


def beyond_total(most: int, limits: UploadLimits) -> TooLargeError:
    """What to say of an archive that unpacks to more."""
    why = f"{limits.ratio:g} times its own size" if most < limits.total_bytes else "the limit here"
    return TooLargeError(
        f"the archive unpacks to more than {size_text(most)}, {why}; send its files without "
        "packing them, or in parts"
    )


def _starts(file: IO[bytes], infos: Sequence[zipfile.ZipInfo], end: int) -> dict[int, int]:
    """Where each entry's packed bytes start, by the place of its header; none may overlap."""
    starts: dict[int, int] = {}
    free = 0
    for info in sorted(infos, key=lambda info: info.header_offset):
        name = _name(info)
        if info.header_offset < free:
            raise BadArchiveError("overlaps another entry", "pack the files anew", name)
        file.seek(info.header_offset)
        header = file.read(_LOCAL_BYTES)
        if len(header) < _LOCAL_BYTES or not header.startswith(_LOCAL):
            raise _damaged("its header is not where the directory says", name)
        _require_same(info, header, file)
        lengths = struct.unpack_from("<HH", header, 26)
        start = info.header_offset + _LOCAL_BYTES + sum(lengths)
        starts[info.header_offset] = start
        free = start + info.compress_size
    if free > end:
        raise _damaged("its entries reach into its directory")
    return starts


def _require_same(info: zipfile.ZipInfo, header: bytes, file: IO[bytes]) -> None:
    """Header and directory must mean the same entry: programs differ in whom they believe."""
    flags, method = struct.unpack_from("<HH", header, 6)
    (length,) = struct.unpack_from("<H", header, 26)
    raw = file.read(length)
    encoding = "utf-8" if flags & 0x800 else "cp437"
    same = raw.decode(encoding, "replace") == info.orig_filename
    if not same or method != info.compress_type or flags & _ENCRYPTED:
        raise _damaged("its header and the directory differ", _name(info))
