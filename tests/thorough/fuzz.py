"""Damaged files of every format, by the thousand."""

from __future__ import annotations

from tests.ingest.reader_fuzz import FORMATS, Tally, fuzz_reader
from tests.thorough.parallel import in_pieces


def print_fuzz(n: int) -> None:
    """`n` damaged files over all formats; stops at one that is neither read nor refused."""
    each = -(-n // len(FORMATS))
    for number, pieces in in_pieces(_piece, range(len(FORMATS)), each):
        read = sum(piece.read for piece in pieces)
        refused = sum(piece.refused for piece in pieces)
        print(f"{FORMATS[number].name:32} read {read:6d}, refused {refused:6d}", flush=True)


def _piece(number: int, cases: int, seed: int) -> Tally:
    # Seed 1 is that of the tests.
    return fuzz_reader(FORMATS[number].make_valid, cases, seed + 2, FORMATS[number].pack)
