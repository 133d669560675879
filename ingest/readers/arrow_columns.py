"""Columns of Arrow data, as Parquet and Feather files hold them, to NumPy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.errors import RecordingError
from ingest.readers.array_source import ArrayColumn, Columns
from ingest.readers.clock_names import is_clock
from ingest.readers.outside_library import WRITE_ANEW
from ingest.readers.stated_rates import stated_rate_hz

_NUMBERS = "save the channel as integers, floats or decimals"
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


class ArrowColumns:
    """What a schema says of its columns, and how their arrays become samples."""

    def __init__(self, pyarrow: Any, schema: Any, n: int) -> None:
        self._pa = pyarrow
        self._types = pyarrow.types
        self._schema = schema
        stated = _texts(schema.metadata)
        clock = self._clock()
        described = []
        for index, field in enumerate(schema):
            value_type = self._value_type(field.type)
            refusal = None
            if not self._is_usable(value_type):
                refusal = f"it holds no numbers ({field.type})", _NUMBERS
            unit = "s" if self._types.is_duration(value_type) else _unit(field)
            own_hz = _rate_hz(_texts(field.metadata))
            rate_hz = None if index == clock else own_hz or _rate_hz(stated)
            described.append(ArrayColumn(field.name, n, unit, 0, rate_hz, index == clock, refusal))
        self.described: tuple[ArrayColumn, ...] = tuple(described)

    def block(self, batch: Any, places: Sequence[int]) -> Columns:
        """Samples of the columns at these places of a batch."""
        return [self._numbers(batch.column(place)) for place in places]

    def row_bytes(self, wanted: Sequence[int]) -> int:
        """Bytes of one row of the wanted columns, unpacked."""
        return sum(max(8, self._schema.field(index).type.bit_width) // 8 for index in wanted)

    def _value_type(self, kind: Any) -> Any:
        return kind.value_type if self._types.is_dictionary(kind) else kind

    def _is_usable(self, kind: Any) -> bool:
        types = self._types
        return bool(
            types.is_integer(kind)
            or types.is_floating(kind)
            or types.is_boolean(kind)
            or types.is_decimal(kind)
            or types.is_timestamp(kind)
            or types.is_duration(kind)
        )

    def _clock(self) -> int | None:
        """The column of time stamps: by its name, or the only one that holds moments."""
        moments = []
        for index, field in enumerate(self._schema):
            kind = self._value_type(field.type)
            is_moment = self._types.is_timestamp(kind)
            if is_moment:
                moments.append(index)
            usable = self._is_usable(kind) and not self._types.is_boolean(kind)
            if usable and is_clock(field.name, None if is_moment else _unit(field)):
                return index
        return moments[0] if len(moments) == 1 else None

    def _numbers(self, array: Any) -> NDArray[Any]:
        types, pa = self._types, self._pa
        if types.is_dictionary(array.type):
            array.validate(full=True)  # indices beyond the dictionary would read strange memory
            array = array.dictionary_decode()
        else:
            array.validate()
        kind = array.type
        if types.is_decimal(kind):
            array = array.cast(pa.float64())
        elif types.is_boolean(kind):
            array = array.cast(pa.uint8())
        elif types.is_duration(kind):
            stored = array.cast(pa.int64()).to_numpy(zero_copy_only=False)
            seconds: NDArray[np.float64] = stored * _SECONDS[kind.unit]
            return seconds
        numbers: NDArray[Any] = array.to_numpy(zero_copy_only=False)  # nulls come as NaN or NaT
        if numbers.dtype.kind not in "biufM":
            raise TypeError(f"{kind} came as {numbers.dtype}")
        return numbers


def check_rows(path: Any, read: int, declared: int) -> None:
    """Raise RecordingError where the samples are fewer or more than the file declares."""
    if read != declared:
        raise RecordingError(
            path,
            "",
            f"{declared} rows are declared, {read} were found",
            WRITE_ANEW,
        )


def _texts(metadata: Mapping[bytes, bytes] | None) -> dict[str, str]:
    """Metadata as text; long entries are other programs' own."""
    return {
        key.decode("utf-8", "replace").casefold(): value.decode("utf-8", "replace")
        for key, value in (metadata or {}).items()
        if len(value) <= 100
    }


def _unit(field: Any) -> str | None:
    about = _texts(field.metadata)
    return about.get("unit") or about.get("units")


def _rate_hz(texts: Mapping[str, str]) -> float | None:
    numbers = {}
    for name, text in texts.items():
        with suppress(ValueError):
            numbers[name] = float(text)
    return stated_rate_hz(numbers)
