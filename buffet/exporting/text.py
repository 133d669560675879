"""Samples into delimited text: provenance in comments, names, units, then numbers."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from buffet.exporting.sink import Header
from buffet.writing import FORMULA_SIGNS, as_text

Array = NDArray[np.float64]

# A spreadsheet parts the comments at their commas, too. In the JSON of a provenance none stands
# before such a sign but inside a text, where it may be written by its number.
_FORMULA = re.compile(f",(?=[{re.escape(''.join(FORMULA_SIGNS))}])")
_JSON_COMMA = r"\\u002c"


@contextmanager
def csv_sink(path: Path, header: Header) -> Iterator[_Csv]:
    """Commas, decimal points, UTF-8; time in seconds in the first column.

    The provenance stands at the top and is known last: the numbers wait in a file beside.
    """
    with (
        tempfile.TemporaryFile(dir=path.parent, prefix=".buffet-") as body,
        open(path, "wb") as file,
    ):
        yield _Csv(file, body, header)


class _Csv:
    def __init__(self, file: IO[bytes], body: IO[bytes], header: Header) -> None:
        self._file, self._body, self._header = file, body, header
        self._n = 0

    def append(self, samples: Array) -> None:
        import pandas as pd

        n = samples.shape[1]
        time_s = (self._n + np.arange(n)) / self._header.sample_rate_hz
        frame = pd.DataFrame(np.vstack([time_s, samples]).T)
        text = frame.to_csv(None, header=False, index=False, lineterminator="\n")
        self._body.write(text.encode())
        self._n += n

    def close(self, provenance: str) -> None:
        channels = self._header.channels
        lines = [
            f"# run {_FORMULA.sub(', ', self._header.run)}, calibrated, SI units",
            f"# sample_rate_hz = {self._header.sample_rate_hz!r}",
            f"# provenance = {_FORMULA.sub(_JSON_COMMA, provenance)}",
            ",".join(map(_quoted, ["time", *(channel.name for channel in channels)])),
            ",".join(map(_quoted, ["s", *(channel.unit for channel in channels)])),
        ]
        self._file.write(("\n".join(lines) + "\n").encode())
        self._body.seek(0)
        shutil.copyfileobj(self._body, self._file)


def _quoted(text: str) -> str:
    text = as_text(text)
    if any(sign in text for sign in ',"\n'):
        return '"' + text.replace('"', '""') + '"'
    return text
