"""Errors that end a command with one message.

BuffetError
├── RecordTooShortError   a record that cannot give the wanted resolution
├── NotRateableError      a campaign that lacks what a road speed needs
└── OutputError           a result that cannot be written as asked
"""

from __future__ import annotations


class BuffetError(Exception):
    """Anything the user can put right; the text says what, where and how."""


class RecordTooShortError(BuffetError):
    """The record does not hold the segments that a wanted resolution needs."""

    def __init__(self, record_s: float, segment_s: float, fewest: int = 1) -> None:
        self.record_s, self.segment_s, self.fewest = record_s, segment_s, fewest
        needed_s = segment_s * (fewest + 1) / 2
        possible_hz = (fewest + 1) / 2 / record_s if record_s else float("inf")
        super().__init__(
            f"a resolution of {1 / segment_s:.3g} Hz needs segments of {segment_s:.3g} s and a "
            f"record of {needed_s:.3g} s; this one has {record_s:.3g} s: "
            f"use {possible_hz:.2g} Hz or coarser, or a longer run"
        )


class NotRateableError(BuffetError):
    """The campaign does not say what a road speed needs."""


class OutputError(BuffetError):
    """The result cannot be written to that file."""
