"""Documents held against their schemas; `run_buffet` does so with whatever any test prints."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from typing import Any, NoReturn

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from buffet.schemas import schema

# Items of a long array that are looked at, beside one of each further kind; of rows of numbers,
# one of which is like the other.
FEW, FEW_NUMBERS = 30, 6


@cache
def validator(name: str) -> Draft202012Validator:
    """Of a format, its schema known to be one."""
    own = schema(name)
    Draft202012Validator.check_schema(own)
    return Draft202012Validator(own)


def shortened(value: Any) -> Any:
    """The same document with fewer items in its long arrays, whose numbers take the time."""
    if isinstance(value, dict):
        return {key: shortened(one) for key, one in value.items()}
    if isinstance(value, list):
        few = FEW if any(isinstance(one, dict) for one in value) else FEW_NUMBERS
        kinds = {type(one): one for one in value[few:]}
        return [shortened(one) for one in (*value[:few], *kinds.values())]
    return value


def faults(document: dict[str, Any]) -> list[str]:
    """What a document's schema has against it, by place."""
    name = document["format"].removeprefix("buffet/")
    found = validator(name).iter_errors(shortened(document))
    return [f"{one.json_path}: {one.message[:300]}" for error in found for one in _inner(error)]


def _inner(error: ValidationError) -> Iterator[ValidationError]:
    """Faults of the first of several alternatives: the others are null."""
    own = [one for one in error.context or () if one.schema_path[0] == 0]
    if not own:
        yield error
    for one in own:
        yield from _inner(one)


def _no_constant(name: str) -> NoReturn:
    raise AssertionError(f"{name} is no JSON")


def require_described(text: str) -> None:
    """Raise AssertionError where a printed document is not as its schema says."""
    document = json.loads(text, parse_constant=_no_constant)
    wrong = faults(document)
    assert not wrong, "\n  ".join(
        [
            f"{document['format']} is not as buffet/schemas says; describe new keys there, "
            "with their unit and when they are null:",
            *wrong[:8],
        ]
    )
