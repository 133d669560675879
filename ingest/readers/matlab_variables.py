"""Variables of a MAT file, of any version, as they are met: arrays, the rate, and what is neither.

Samples are given as stored: MATLAB keeps doubles that are whole numbers in the smallest integers
that hold them. The array `fz` gives the column "fz", `taps` of two dimensions "taps[0]",
"taps[1]", ...; time runs along the longer axis unless `orientation` says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from ingest.errors import RecordingError
from ingest.readers.array_source import ArraySource
from ingest.readers.stated_rates import may_state_rate, stated_rate_hz
from ingest.readers.stored_bytes import COPY_AGAIN, DeflatedBytes, PlainBytes, SharedFile
from ingest.readers.stored_columns import (
    SAVE_PLAIN_ARRAYS,
    StoredArray,
    StoredFile,
    number_at,
)
from ingest.readers.tables import TableSource
from ingest.recording import FileOptions

# Variables of one file; more are taken for damage (engineering judgement).
_MOST_VARIABLES = 10_000
_AS_PLAIN = "save the channels as plain arrays, those in a struct s with save(file, '-struct', 's')"


def damaged(file: SharedFile, place: str, problem: str) -> RecordingError:
    """What to say of a file that is not as MATLAB writes it."""
    return RecordingError(file.path, place, problem, COPY_AGAIN)


class Variables:
    """What a file's variables give; numbers in memory are MATLAB's, the first axis fastest."""

    def __init__(self, file: SharedFile) -> None:
        self._file = file
        self._arrays: list[StoredArray] = []
        self._numbers: dict[str, float] = {}
        self._refused: dict[str, tuple[str, str]] = {}
        self._met = 0

    def next_place(self, at: int) -> str:
        """How messages call the variable at a byte; a file of a huge number of them is refused."""
        self._met += 1
        place = f"variable {self._met} at byte {at}"
        if self._met > _MOST_VARIABLES:
            raise damaged(self._file, place, f"more than {_MOST_VARIABLES} variables")
        return place

    def add(
        self,
        name: str,
        content: PlainBytes | DeflatedBytes,
        start: int,
        shape: tuple[int, ...],
        dtype: np.dtype[Any],
    ) -> None:
        """Real numbers that begin at a place of a content."""
        content = replace(content, place=f"variable {name!r}")
        if math.prod(shape) == 0:
            self.refuse(name, "empty array")
        elif math.prod(shape) == 1:
            if may_state_rate(name):
                self._numbers[name] = number_at(self._file, content, start, dtype)
        elif len(shape) > 2:
            problem = f"the array has {len(shape)} dimensions, wanted 1 or 2"
            self._refused[name] = problem, SAVE_PLAIN_ARRAYS
        else:
            self._arrays.append(
                StoredArray(name, content, start, shape, dtype, first_axis_fastest=True)
            )

    def refuse(self, name: str, kind: str, fields: Sequence[str] = ()) -> None:
        """A variable that is none, and a struct's fields: said when one is asked for."""
        article = "an" if kind[0] in "aeiou" else "a"
        self._refused[name] = f"{article} {kind} stands where an array is wanted", _AS_PLAIN
        for field in fields:
            problem = f"it stands inside the {kind} {name!r}, where no channel is looked for"
            self._refused[f"{name}.{field}"] = problem, _AS_PLAIN

    def source(self, version: str, options: FileOptions) -> TableSource:
        """Tables of all arrays; RecordingError where there is none."""
        path: Path = self._file.path
        rate_hz = stated_rate_hz(self._numbers)
        stored = StoredFile(
            path, version, self._arrays, options.orientation, rate_hz, self._refused
        )
        return ArraySource(path, stored, options)
