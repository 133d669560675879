"""Records of an ASAM MDF 4 file as they come, piece by piece."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ingest.readers.array_source import BLOCK_BYTES
from ingest.readers.mdf4_blocks import BlockFile, ChannelGroup, DataGroup

_PIECE_BYTES = 1 << 22
# A compressed block is unpacked whole. The standard advises 4 MB; in a large file more is no harm.
_UNPACKED_BYTES = 1 << 25
_UNPACKED_SHARE = 4
_ZIPPED = struct.Struct("<2sBxIQQ")
_HEADER_BYTES = 24
_PLAIN = (b"##DT", b"##DV", b"##SD", b"##RD")
_INVALID_BITS_APART = 1 << 31  # flag of a list of column-oriented data


def records(
    file: BlockFile, data: DataGroup, group: ChannelGroup, rows: int
) -> Iterator[NDArray[np.uint8]]:
    """Records of one channel group, (rows, bytes) and in the end what is left of them.

    Raises RecordingError where blocks are damaged or records missing.
    """
    width, left = group.record_bytes, group.cycles
    if width == 0:  # nothing but virtual channels, which count
        for start in range(0, left, rows):
            yield np.empty((min(rows, left - start), 0), np.uint8)
        return
    pieces = _pieces(file, data.data_place, group.invalid_bytes)
    if data.id_bytes:
        pieces = _sorted_out(file, data, group, pieces)
    held: list[bytes] = []
    size = 0
    for piece in pieces if left else ():
        held.append(piece)
        size += len(piece)
        if size < min(rows, left) * width:
            continue
        joined = b"".join(held)
        place = 0
        while left and size - place >= (n := min(rows, left)) * width:
            yield np.frombuffer(joined, np.uint8, n * width, place).reshape(n, width)
            place += n * width
            left -= n
        held, size = [joined[place:]], size - place
        if not left:
            return
    if left:
        found = group.cycles - left + size // width
        raise file.damaged(group.place, f"{group.cycles} records are declared, {found} were found")


def _pieces(file: BlockFile, place: int, invalid_bytes: int) -> Iterator[bytes]:
    """All bytes of a data group in their order."""
    for block in _data_blocks(file, place, invalid_bytes):
        kind, length, _ = file.header(block, b"##DZ", *_PLAIN)
        if kind == b"##DZ":
            yield _unpacked(file, block, length)
            continue
        for start in range(block + _HEADER_BYTES, block + length, _PIECE_BYTES):
            yield file.read(start, min(_PIECE_BYTES, block + length - start))


def _data_blocks(file: BlockFile, place: int, invalid_bytes: int) -> Iterator[int]:
    """Places of the blocks that hold data, from the one or the list that a group links to."""
    if not place:
        return
    kind = file.header(place, b"##DZ", b"##HL", b"##DL", b"##LD", *_PLAIN)[0]
    if kind == b"##HL":
        place = file.block(place, b"##HL").link(0)
        kind = file.header(place, b"##DL", b"##LD")[0] if place else b""
    if kind not in (b"##DL", b"##LD", b""):
        yield place
        return
    seen: set[int] = set()
    for block in file.chain(place, kind):
        if kind == b"##LD":
            (flags,) = file.fields(struct.Struct("<I"), block)
            if flags & _INVALID_BITS_APART or invalid_bytes:
                raise file.damaged(
                    block.place, "column-oriented storage with invalidation bits is not supported"
                )
        for link in block.links[1:]:
            if link in seen:
                raise file.damaged(link, "its data are listed twice")
            if link:
                seen.add(link)
                yield link


def _unpacked(file: BlockFile, place: int, length: int) -> bytes:
    """Bytes of a compressed block."""
    start = place + _HEADER_BYTES
    if length < _HEADER_BYTES + _ZIPPED.size:
        raise file.damaged(place, "##DZ is too short")
    _, kind, columns, unpacked, packed = _ZIPPED.unpack(file.read(start, _ZIPPED.size))
    if kind not in (0, 1):
        raise file.damaged(place, f"compression {kind} is not supported, save with deflate")
    if unpacked > max(_UNPACKED_BYTES, file.size // _UNPACKED_SHARE):
        raise file.damaged(place, f"a block would unpack to {unpacked >> 20} MB")
    if packed > length - _HEADER_BYTES - _ZIPPED.size:
        raise file.damaged(place, "##DZ is shorter than its content")
    unpacker = zlib.decompressobj()
    try:
        data = unpacker.decompress(file.read(start + _ZIPPED.size, packed), unpacked + 1)
    except zlib.error as fault:
        raise file.damaged(place, str(fault)) from fault
    if len(data) != unpacked or not unpacker.eof:
        raise file.damaged(place, f"{unpacked} bytes are declared, {len(data)} came")
    if kind == 0 or columns == 0:
        return data
    # Stored column by column, what does not fill a row behind it as it is.
    rows = unpacked // columns
    whole = rows * columns
    turned = np.frombuffer(data, np.uint8, whole).reshape(columns, rows).T
    return turned.tobytes() + data[whole:]


def _sorted_out(
    file: BlockFile, data: DataGroup, group: ChannelGroup, pieces: Iterator[bytes]
) -> Iterator[bytes]:
    """Records of one group among those of several, each with its group's number before it."""
    id_bytes, width = data.id_bytes, group.record_bytes
    sizes = {g.record_id: id_bytes + g.record_bytes for g in data.groups}
    with_length = {g.record_id for g in data.groups if g.holds_one_channel}
    wanted = group.record_id
    columns = np.arange(id_bytes, id_bytes + width)
    rest = b""
    for piece in pieces:
        buffer = rest + piece if rest else piece
        end = len(buffer)
        place = 0
        starts = []
        while place + id_bytes <= end:
            number = int.from_bytes(buffer[place : place + id_bytes], "little")
            size = sizes.get(number)
            if size is None:
                raise file.damaged(group.place, f"a record of group {number}, which is not there")
            if number in with_length:
                length = buffer[place + id_bytes : place + id_bytes + 4]
                size = id_bytes + 4 + int.from_bytes(length, "little")
                if len(length) < 4:
                    break
            if place + size > end:
                break
            if number == wanted:
                starts.append(place)
            place += size
        rest = buffer[place:]
        if len(rest) > BLOCK_BYTES:
            raise file.damaged(group.place, "a record does not end")
        if starts:
            at = np.array(starts)[:, None] + columns
            yield np.frombuffer(buffer, np.uint8)[at].tobytes()
