"""Which column of a recording a run sheet means."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path

from ingest.errors import RecordingError

_LISTED = 12  # column names in one message: a screen line or two


def find_column(columns: Sequence[str], wanted: str | int, path: Path) -> int:
    """Index of a column from its name or its index.

    Raises
    ------
    RecordingError
        There is no such column, or its name occurs more than once.
    """
    if isinstance(wanted, int):
        if 0 <= wanted < len(columns):
            return wanted
        raise RecordingError(
            path,
            f"column {wanted}",
            f"the recording has {len(columns)} columns",
            f"state an index from 0 to {len(columns) - 1}",
        )
    places = [index for index, name in enumerate(columns) if name == wanted]
    if len(places) == 1:
        return places[0]
    if places:
        raise RecordingError(
            path,
            f"column {wanted!r}",
            f"the name occurs {len(places)} times, at the indices {_joined(places)}",
            "state the index instead of the name",
        )
    raise RecordingError(
        path,
        f"column {wanted!r}",
        "the recording has no column of this name",
        f"the columns are {_nearest_first(columns, wanted)}",
    )


def _joined(places: Sequence[int]) -> str:
    return ", ".join(str(place) for place in places)


def _nearest_first(columns: Sequence[str], wanted: str) -> str:
    def likeness(name: str) -> float:
        return difflib.SequenceMatcher(None, wanted.casefold(), name.casefold()).ratio()

    ordered = sorted(columns, key=likeness, reverse=True)
    listed = ", ".join(repr(name) for name in ordered[:_LISTED])
    more = len(ordered) - _LISTED
    return f"{listed} and {more} more" if more > 0 else listed
