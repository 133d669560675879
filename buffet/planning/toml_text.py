"""Sheets as TOML text, with remarks behind keys."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

Table = Mapping[str, Any]
# A remark stands in this column where the line leaves room.
REMARK_COLUMN = 36


def toml_text(table: Table, head: Sequence[str] = (), remarks: Mapping[str, str] = {}) -> str:
    """Plain keys first, then a header a table; what lies deeper stands inline.

    Parameters
    ----------
    head : lines of remark at the top
    remarks : by dotted key, such as "air.speed"; those of a list's tables alike
    """
    lines = [f"# {line}".rstrip() for line in head]
    inner = {key: value for key, value in table.items() if _is_table(value) or _is_tables(value)}
    plain = {key: value for key, value in table.items() if key not in inner}
    lines += _pairs(plain, "", remarks)
    for key, value in inner.items():
        for one in [value] if _is_table(value) else value:
            header = f"[{_key(key)}]" if _is_table(value) else f"[[{_key(key)}]]"
            lines += ["", header, *_pairs(one, f"{key}.", remarks)]
    return "\n".join([*lines, ""])


def _is_table(value: Any) -> bool:
    return isinstance(value, Mapping)


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(map(_is_table, value))


def _pairs(table: Table, place: str, remarks: Mapping[str, str]) -> Iterator[str]:
    for key, value in table.items():
        line = f"{_key(key)} = {_value(value)}"
        remark = remarks.get(place + key)
        yield line if remark is None else f"{line:<{REMARK_COLUMN}} # {remark}"


def _key(key: str) -> str:
    bare = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if bare else _string(key)


def _value(value: Any) -> str:
    if _is_table(value):
        return f"{{ {', '.join(f'{_key(k)} = {_value(v)}' for k, v in value.items())} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, bool):
        return "true" if value else "false"
    return _string(value) if isinstance(value, str) else repr(value)


def _string(text: str) -> str:
    """JSON's escapes are TOML's, but for the delete character, which TOML wants escaped."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
