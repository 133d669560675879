"""MDF 4 files put together block by block, for what no library writes."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from pathlib import Path

HEADER = 64  # where the file's first block stands


class Mdf4:
    """The bytes of a file that grows; a block is added after those that it links to."""

    def __init__(self, version: int = 410) -> None:
        text = f"{version // 100}.{version % 100:02}    ".encode()
        start = b"MDF     " + text + b"test    " + bytes(4) + struct.pack("<H", version)
        self.data = bytearray(start.ljust(HEADER + 104, b"\0"))

    def block(self, kind: str, links: Sequence[int] = (), content: bytes = b"") -> int:
        """Add a block; the place where it stands."""
        self.data += bytes(-len(self.data) % 8)
        place = len(self.data)
        length = 24 + 8 * len(links) + len(content)
        head = struct.pack("<4s4xQQ", b"##" + kind.encode(), length, len(links))
        self.data += head + struct.pack(f"<{len(links)}Q", *links) + content
        return place

    def text(self, text: str, kind: str = "TX") -> int:
        """A text block; none for no text."""
        return self.block(kind, (), text.encode() + b"\0") if text else 0

    def conversion(self, kind: int, values: Sequence[float], unit: str = "") -> int:
        """A conversion rule."""
        content = struct.pack("<BBHHHdd", kind, 0, 0, 0, len(values), 0.0, 0.0)
        links = (0, self.text(unit), 0, 0)
        return self.block("CC", links, content + struct.pack(f"<{len(values)}d", *values))

    def channel(
        self,
        name: str,
        offset: int = 0,
        bits: int = 64,
        data_type: int = 4,
        *,
        follows: int = 0,
        kind: int = 0,
        sync: int = 0,
        shift: int = 0,
        unit: int = 0,
        rule: int = 0,
        flags: int = 0,
        invalid_bit: int = 0,
        part: int = 0,
        data: int = 0,
    ) -> int:
        """A channel, a little-endian double if nothing else is said; `follows` is the next one."""
        numbers = (kind, sync, data_type, shift, offset, bits, flags, invalid_bit)
        content = struct.pack("<BBBBIIII", *numbers).ljust(72, b"\0")
        links = (follows, part, self.text(name), 0, rule, data, unit, 0)
        return self.block("CN", links, content)

    def group(
        self,
        first: int,
        cycles: int,
        record_bytes: int,
        *,
        follows: int = 0,
        record_id: int = 0,
        flags: int = 0,
        invalid_bytes: int = 0,
        master: int = 0,
    ) -> int:
        """A channel group; with a `master`, the time stands in that other group."""
        numbers = (record_id, cycles, flags, 0, record_bytes, invalid_bytes)
        links = (follows, first, 0, 0, 0, 0, *((master,) if master else ()))
        return self.block("CG", links, struct.pack("<QQHH4xII", *numbers))

    def zipped(self, content: bytes, transposed: int = 0, declared: int | None = None) -> int:
        """A compressed data block, its bytes as rows of `transposed` columns turned before."""
        size = len(content) if declared is None else declared
        packed = zlib.compress(content)
        numbers = (b"DT", int(transposed > 0), transposed, size, len(packed))
        return self.block("DZ", (), struct.pack("<2sBxIQQ", *numbers) + packed)

    def data_group(self, group: int, data: int, id_bytes: int = 0, follows: int = 0) -> int:
        """A data group."""
        return self.block("DG", (follows, group, data, 0), struct.pack("<B7x", id_bytes))

    def save(self, path: Path, data_group: int) -> Path:
        """Write the file, which begins with this data group."""
        head = struct.pack("<4s4xQQ", b"##HD", 104, 6) + struct.pack("<Q", data_group)
        self.data[HEADER : HEADER + len(head)] = head
        path.write_bytes(self.data)
        return path
