"""Which column of a file is its group's time stamps, from name and unit."""

from __future__ import annotations

_NAMES = {"t", "time", "timestamp", "timestamps"}
_SECONDS = {"", "s", "sec", "second", "seconds"}


def is_clock(name: str, unit: str | None) -> bool:
    """Whether a column is time stamps in seconds.

    A unit like "seconds since 2026-03-02" (CF conventions, section 4.4) is one of seconds.
    """
    plain = (unit or "").casefold().split(" since ")[0].strip()
    return name.casefold() in _NAMES and plain in _SECONDS
