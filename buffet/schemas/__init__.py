"""JSON Schemas (draft 2020-12) of every document that a command prints or the service gives.

One file a format, `common.json` for what several share.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import Any

from buffet.errors import UnknownFormatError

Schema = dict[str, Any]

COMMON = "common"
_SHARED = f"{COMMON}.json#/$defs/"


@cache
def formats() -> tuple[str, ...]:
    """Names of all formats, sorted: "rating" for buffet/rating."""
    here = (file.name for file in files(__package__).iterdir())
    names = {name.removesuffix(".json") for name in here if name.endswith(".json")}
    return tuple(sorted(names - {COMMON}))


def schema(name: str) -> Schema:
    """The schema of a format by itself: what it shares with others stands in its own $defs.

    Raises
    ------
    UnknownFormatError
        There is no such format.
    """
    plain = name.removeprefix("buffet/")
    if plain not in formats():
        raise UnknownFormatError(name, formats())
    own, shared = _read(plain), _read(COMMON)["$defs"]
    defs = dict(own.get("$defs", {}))
    waiting = _names(own, _SHARED)
    while waiting:
        wanted = waiting.pop()
        if wanted not in defs:
            defs[wanted] = shared[wanted]
            waiting |= _names(shared[wanted], "#/$defs/")
    text = json.dumps({**own, "$defs": defs}, ensure_ascii=False)
    found: Schema = json.loads(text.replace(_SHARED, "#/$defs/"))
    return found


def _read(name: str) -> Schema:
    found: Schema = json.loads(files(__package__).joinpath(f"{name}.json").read_text("utf-8"))
    return found


def _names(value: Any, head: str) -> set[str]:
    """Definitions that are referred to from a value."""
    if isinstance(value, dict):
        inner = set().union(*(_names(one, head) for one in value.values()))
        target = value.get("$ref", "")
        known = isinstance(target, str) and target.startswith(head)
        return inner | ({target.removeprefix(head)} if known else set())
    if isinstance(value, list):
        return set().union(*(_names(one, head) for one in value))
    return set()
