"""How much one upload may be."""

from __future__ import annotations

from dataclasses import dataclass

KIB, MIB, GIB = 2**10, 2**20, 2**30


@dataclass(frozen=True)
class UploadLimits:
    """Bounds of one upload; each is engineering judgement for the reason above it."""

    # An hour of 64 channels at 20 kHz in double precision is 37 GB, in counts of 16 bits 9 GB; what
    # is larger is better put into a watched folder than sent by HTTP.
    body_bytes: int = 20 * GIB
    # A sheet with a thousand taps takes 300 KB; TOML is read whole into memory.
    sheet_bytes: int = MIB
    # Files and fields of one form: an archive and what describes it, or the sheets and recordings
    # of a morning. A whole campaign comes as one archive.
    parts: int = 64
    # Text fields of one form together, which are kept in memory: one is a sheet that was typed.
    field_bytes: int = 2 * MIB
    # All headers of a form's part have some 200 bytes, with a long file name a thousand.
    header_bytes: int = 8 * KIB
    # A campaign of a thousand runs has two files a run; the list of entries is held in memory.
    entries: int = 20_000
    # Five times the largest body: what text recordings typically unpack to, and what a disk bears.
    total_bytes: int = 100 * GIB
    # Unpacked over packed bytes of a whole archive. Deflate reaches at most 1032:1 (258 bytes by
    # two bits), on nothing but repetition; recordings as text reach 3 to 30, sheets 10, a channel
    # that logged nothing but zeros some 500, which the others around it bring down.
    ratio: float = 200.0
    # Of a name with its folders: Linux allows 4096 for a path with all that stands before it.
    name_bytes: int = 1024
    # Folders in folders; campaigns have one or two, exports of measuring systems five.
    depth: int = 16

    def of_file(self, name: str) -> int:
        """Most bytes of one file: sheets are small."""
        return self.sheet_bytes if name.lower().endswith(".toml") else self.body_bytes
