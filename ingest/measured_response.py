"""A response as somebody measured it, of a tube or a seat: a text of frequency, gain and phase."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ingest.small_tables import SmallRow, SmallTable, small_table

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

FREQUENCY, GAIN = "frequency_hz", "gain"
PHASES = {"phase_deg": math.pi / 180, "phase_rad": 1.0}
WANTED_HEADER = "frequency_hz, gain, and phase_deg or phase_rad"
# A line through fewer frequencies says nothing of what lies between them (engineering judgement).
FEWEST_ROWS = 3
# What a gain at 0 Hz may differ from 1, which a sensor's calibration, or a seat that follows its
# base, makes it (engineering judgement).
STATIC_TOLERANCE = 0.05
LARGEST_BYTES = 10_000_000  # a hundred thousand rows and more: another file was named


class ResponseFault(Exception):
    """Why a text is no such response."""


@dataclass(frozen=True)
class ResponseOf:
    """What a response is of, for the words that refuse one."""

    ratio: str
    lag: str


TUBE = ResponseOf("sensor over tap", "a sensor lags behind its tap")
SEAT = ResponseOf("person over seat base", "a person on a seat lags behind its base")


@dataclass(frozen=True)
class MeasuredResponse:
    """Output over input at rising frequencies; the phase continuous, below zero where it lags."""

    file: str  # as the sheet names it
    frequency_hz: tuple[float, ...]  # above 0
    gain: tuple[float, ...]
    phase_rad: tuple[float, ...]

    @property
    def last_hz(self) -> float:
        """Nothing is known beyond."""
        return self.frequency_hz[-1]

    def at(self, frequency_hz: Array) -> Complex:
        """Complex response, shape ``(n,)``: linear in log gain and phase, gain 1 at 0 Hz.

        The last values are held beyond the last frequency.
        """
        known = np.array([0.0, *self.frequency_hz])
        gain = np.interp(frequency_hz, known, np.log([1.0, *self.gain]))
        phase = np.interp(frequency_hz, known, [0.0, *self.phase_rad])
        return np.asarray(np.exp(gain + 1j * phase))


def read_response(path: Path, name: str, of: ResponseOf = TUBE) -> MeasuredResponse:
    """Read a response from delimited text with a header.

    Raises ResponseFault where it is none: what, in which line, and what was wanted.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise ResponseFault(f"{name!r} is too large for a response; wanted {WANTED_HEADER}")
        table = small_table(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ResponseFault(f"{name!r} cannot be read as UTF-8 text") from error
    if not table.rows:
        raise ResponseFault(f"{name!r} is empty; wanted columns {WANTED_HEADER}")
    columns = _columns(table.rows[0].cells, name)
    body = table.rows[1:]
    rows = [_row(table, row, columns, f"{name!r}, line {row.line}") for row in body]
    if len(rows) < FEWEST_ROWS:
        raise ResponseFault(f"{name!r} has {len(rows)} rows; wanted {FEWEST_ROWS} or more")
    return _checked(name, np.array(rows), [row.line for row in body], of)


def _columns(header: Sequence[str], name: str) -> dict[str, int]:
    """Position of each column that is used."""
    places = {title.lower(): index for index, title in enumerate(header)}
    phases = [title for title in PHASES if title in places]
    if FREQUENCY not in places or GAIN not in places or len(phases) != 1:
        raise ResponseFault(f"{name!r} has the columns {', '.join(header)}; wanted {WANTED_HEADER}")
    return {title: places[title] for title in (FREQUENCY, GAIN, phases[0])}


def _row(
    table: SmallTable, row: SmallRow, columns: dict[str, int], place: str
) -> tuple[float, float, float]:
    """Frequency, gain and phase in rad."""
    values = []
    for title, index in columns.items():
        text = row.cells[index] if index < len(row.cells) else ""
        value = table.number(text)
        if value is None:
            raise ResponseFault(f"{place}: {title} is {text!r}; wanted a number")
        values.append(value * PHASES.get(title, 1.0))
    return values[0], values[1], values[2]


def _checked(name: str, rows: Array, lines: list[int], of: ResponseOf) -> MeasuredResponse:
    frequency, gain = rows[:, 0], rows[:, 1]
    for i, line in enumerate(lines):
        place = f"{name!r}, line {line}"
        if gain[i] <= 0:
            raise ResponseFault(f"{place}: {GAIN} is {gain[i]:g}; wanted a gain above 0")
        if frequency[i] < 0 or (i and frequency[i] <= frequency[i - 1]):
            problem = "wanted frequencies that rise from row to row, from 0 on"
            raise ResponseFault(f"{place}: {FREQUENCY} is {frequency[i]:g}; {problem}")
    phase = np.unwrap(rows[:, 2])
    phase -= 2 * np.pi * np.round(phase[0] / (2 * np.pi))
    if phase.mean() > 0:
        problem = f"the phase leads over most frequencies, but {of.lag}"
        raise ResponseFault(f"{name!r}: {problem}; state phases below 0 for a lag")
    if frequency[0] == 0:
        if abs(gain[0] - 1) > STATIC_TOLERANCE:
            problem = f"{GAIN} is {gain[0]:g} at 0 Hz; wanted 1, {of.ratio}"
            raise ResponseFault(f"{name!r}, line {lines[0]}: {problem}")
        frequency, gain, phase = frequency[1:], gain[1:], phase[1:]
    return MeasuredResponse(
        name, tuple(frequency.tolist()), tuple(gain.tolist()), tuple(phase.tolist())
    )
