"""Values of MDF 4 channels from their records: stored numbers, invalid ones, physical values."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.readers.mdf4_blocks import Channel, ChannelGroup, Conversion

# cn_type
MASTER, VIRTUAL_MASTER, VIRTUAL = 2, 3, 6
_VARIABLE_LENGTH = (1, 4, 5)
# cn_data_type: little-endian even, big-endian odd
_UNSIGNED, _SIGNED, _FLOAT = (0, 1), (2, 3), (4, 5)
# cn_flags
_ALL_INVALID, _HAS_INVALID_BIT = 1, 2
# cc_type
_SAME, LINEAR, _RATIONAL, _FORMULA, _INTERPOLATED, _NEAREST, _RANGES = range(7)
_VALUES_OF = {LINEAR: 2, _RATIONAL: 6}

_NUMBERS = "log the channel as integers or floats"
_CONVERT = "let the logger's software store the converted numbers"


def is_virtual(channel: Channel) -> bool:
    """Whether a channel's stored value is the number of the record."""
    return channel.kind in (VIRTUAL_MASTER, VIRTUAL)


def why_refused(channel: Channel, group: ChannelGroup) -> tuple[str, str] | None:
    """Why a channel does not give numbers, and what to do; None where it does."""
    if channel.is_array:
        return ("it is an array or a structure", "name the channels it is made of")
    if channel.conversion is not None and (reason := _why_rule_refused(channel.conversion)):
        return reason
    if is_virtual(channel):
        return None
    if channel.kind in _VARIABLE_LENGTH or channel.data_type > max(_FLOAT):
        return ("it holds text or bytes, no numbers", _NUMBERS)
    bits = channel.bit_offset + channel.bit_count
    if channel.byte_offset + -(-bits // 8) > group.data_bytes or not channel.bit_count:
        return ("its values lie outside the records", "write the file anew")
    if channel.data_type in _FLOAT:
        if channel.bit_offset or channel.bit_count not in (16, 32, 64):
            return (f"it holds floats of {channel.bit_count} bits", _NUMBERS)
    elif bits > 64:
        return (f"it holds integers of {bits} bits", _NUMBERS)
    if channel.flags & _HAS_INVALID_BIT and channel.invalid_bit >= 8 * group.invalid_bytes:
        return ("its invalidation bit lies outside the records", "write the file anew")
    return None


def _why_rule_refused(rule: Conversion) -> tuple[str, str] | None:
    n = len(rule.values)
    if rule.kind == _FORMULA:
        return ("its values come from a formula, which is not run", _CONVERT)
    if rule.kind > _RANGES:
        return ("its values are text", _NUMBERS)
    if (
        n < _VALUES_OF.get(rule.kind, 0)
        or (rule.kind in (_INTERPOLATED, _NEAREST) and (n < 2 or n % 2))
        or (rule.kind == _RANGES and n % 3 != 1)
    ):
        return (f"its conversion rule has {n} values", "write the file anew")
    return None


def physical(
    channel: Channel, group: ChannelGroup, records: NDArray[np.uint8], first: int
) -> NDArray[Any]:
    """Values of a channel in these records, of which the first has this number; NaN if invalid."""
    if is_virtual(channel):
        stored: NDArray[Any] = np.arange(first, first + len(records), dtype=np.float64)
    else:
        stored = _stored(channel, records)
    with np.errstate(all="ignore"):
        values = stored if channel.conversion is None else _converted(channel.conversion, stored)
    if channel.flags & _ALL_INVALID:
        return np.full(len(records), np.nan)
    if channel.flags & _HAS_INVALID_BIT:
        byte, bit = divmod(channel.invalid_bit, 8)
        invalid = records[:, group.data_bytes + byte] >> bit & 1
        if invalid.any():
            values = np.where(invalid, np.nan, values)
    return values


def _stored(channel: Channel, records: NDArray[np.uint8]) -> NDArray[Any]:
    """Stored numbers, without copying where they are whole bytes of a usual number."""
    bits, shift, offset = channel.bit_count, channel.bit_offset, channel.byte_offset
    is_big = channel.data_type % 2
    if not shift and bits in (8, 16, 32, 64):
        letter = (
            "f" if channel.data_type in _FLOAT else "i" if channel.data_type in _SIGNED else "u"
        )
        dtype = np.dtype(f"{'>' if is_big else '<'}{letter}{bits // 8}")
        return np.ndarray(len(records), dtype, records, offset, (records.shape[1],))
    n = -(-(bits + shift) // 8)
    padded = np.zeros((len(records), 8), np.uint8)
    part = records[:, offset : offset + n]
    padded[:, :n] = part[:, ::-1] if is_big else part
    words = padded.view("<u8")[:, 0] >> np.uint64(shift)
    words &= np.uint64((1 << bits) - 1)
    if channel.data_type not in _SIGNED:
        return words
    unused = 64 - bits  # the sign bit to the top, and back with its copies
    return (words << np.uint64(unused)).view(np.int64) >> np.int64(unused)


def _converted(rule: Conversion, stored: NDArray[Any]) -> Any:
    """Physical values after the standard's conversion rules."""
    x: NDArray[np.float64] = stored.astype(np.float64)
    table: NDArray[np.float64] = np.array(rule.values)
    if rule.kind == LINEAR:
        return x * table[1] + table[0]
    if rule.kind == _RATIONAL:
        p = table[:6]
        return (p[0] * x**2 + p[1] * x + p[2]) / (p[3] * x**2 + p[4] * x + p[5])
    if rule.kind == _INTERPOLATED:
        return np.interp(x, table[::2], table[1::2])
    if rule.kind == _NEAREST:
        keys, values = table[::2], table[1::2]
        above = np.searchsorted(keys, x).clip(0, len(keys) - 1)
        below = (above - 1).clip(0)
        return values[np.where(np.abs(x - keys[below]) <= np.abs(x - keys[above]), below, above)]
    if rule.kind == _RANGES:
        low, high, values = table[:-1:3], table[1:-1:3], table[2:-1:3]
        converted = np.full(len(x), table[-1])
        is_float = stored.dtype.kind == "f"  # integers include a range's upper end, floats do not
        for begin, end, value in zip(low, high, values, strict=True):
            converted[(x >= begin) & ((x < end) if is_float else (x <= end))] = value
        return converted
    return stored
