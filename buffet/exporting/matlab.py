"""Samples into a MATLAB file of version 5, one variable a channel."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from buffet.errors import OutputError
from buffet.exporting.sink import Header

Array = NDArray[np.float64]

_LONGEST_NAME = 63  # characters of a MATLAB variable
_LARGEST = 2**31 - 1024  # bytes of a variable of version 5
_TAKEN = ("sample_rate_hz", "channel_names", "channel_units", "provenance")


@contextmanager
def matlab_sink(path: Path, header: Header) -> Iterator[_Matlab]:
    """Variables named like the channels, and beside them sample_rate_hz and provenance.

    `channel_names` and `channel_units` are in the order of `channel_variables`.
    """
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".buffet-") as folder:
        yield _Matlab(path, Path(folder), header)


class _Matlab:
    """Channels wait in files of their own: a variable must be written whole."""

    def __init__(self, path: Path, folder: Path, header: Header) -> None:
        self._path, self._header = path, header
        self._parts = [folder / str(index) for index in range(len(header.channels))]
        self._n = 0

    def append(self, samples: Array) -> None:
        for part, values in zip(self._parts, samples, strict=True):
            with open(part, "ab") as file:
                file.write(np.ascontiguousarray(values).data)
        self._n += samples.shape[1]
        if 8 * self._n > _LARGEST:
            raise OutputError(
                f"{self._path}: a variable of a .mat file holds at most 2 GB; write .h5 instead"
            )

    def close(self, provenance: str) -> None:
        from scipy.io import savemat

        channels = self._header.channels
        names = variable_names([channel.name for channel in channels])
        told = {
            "sample_rate_hz": self._header.sample_rate_hz,
            "channel_variables": _cells(names),
            "channel_names": _cells([channel.name for channel in channels]),
            "channel_units": _cells([channel.unit for channel in channels]),
            "provenance": provenance,
        }
        columns = {
            name: np.memmap(part, np.float64, "r")
            for name, part in zip(names, self._parts, strict=True)
        }
        savemat(self._path, {**columns, **told}, oned_as="column")


def _cells(texts: Sequence[str]) -> NDArray[np.object_]:
    cells = np.empty(len(texts), dtype=object)
    cells[:] = texts
    return cells


def variable_names(names: Sequence[str]) -> list[str]:
    """MATLAB's kind of names, each once: letters, digits and underscores, a letter first."""
    found: list[str] = []
    for name in names:
        plain = re.sub(r"\W", "_", name, flags=re.ASCII)[:_LONGEST_NAME]
        plain = plain if plain[:1].isalpha() else f"x{plain}"[:_LONGEST_NAME]
        unique, count = plain, 1
        while unique in found or unique in (*_TAKEN, "channel_variables"):
            count += 1
            unique = f"{plain[: _LONGEST_NAME - 4]}_{count}"
        found.append(unique)
    return found
