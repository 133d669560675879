"""A sheet's faults in the engineer's words: file, key, what was given, what is wanted."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from ingest.errors import SheetFault

SheetType = TypeVar("SheetType", bound=BaseModel)

# A dotted key of many parts, for which the parser takes time by the square of their number.
_ENDLESS_KEY = re.compile(
    r"""(?<![\w-])(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
    r"""(?:[ \t]*+\.[ \t]*+(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')){40}"""
)
# What pydantic's kinds of error want, where the field's own description says less.
_WANTED = {
    "string_type": "text in quotes",
    "string_too_short": "text that is not empty",
    "string_too_long": "a single character",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "int_type": "a whole number",
    "greater_than_equal": "a whole number from 0 on",
}

# Of one sheet that are told: a file of another kind under a sheet's name has any number, and each
# takes a search for the nearest key.
MOST_FAULTS = 200


def nearest(word: str, known: Iterable[str]) -> str:
    """A closing remark that names the nearest known word, or all of them.

    A number with other leading zeros is the nearest: "001" for "1".
    """
    names = list(known)
    same = [name for name in names if name.lstrip("0") == word.lstrip("0") != ""]
    close = same or difflib.get_close_matches(word, names, n=1)
    if close:
        return f"; did you mean {close[0]!r}?"
    return f"; known are {', '.join(names)}" if names else ""


def read_toml(path: Path, shown: str) -> dict[str, Any] | SheetFault:
    """Read a TOML file, or say what is wrong with it and in which line."""
    try:
        return parse_toml(path.read_bytes().decode("utf-8-sig"), shown)
    except UnicodeDecodeError as error:
        return SheetFault(shown, "", f"is not UTF-8 text: byte {error.start} cannot be read")
    except OSError as error:
        return SheetFault(shown, "", f"cannot be read: {error.strerror}")


def parse_toml(text: str, shown: str) -> dict[str, Any] | SheetFault:
    """The tables of a TOML text, or what is wrong with it and in which line."""
    if _ENDLESS_KEY.search(text):
        return SheetFault(shown, "", "is nested too deeply to be a sheet")
    try:
        return tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, or an integer of thousands of digits
        return SheetFault(shown, "", f"is not valid TOML: {error}")
    except RecursionError:
        return SheetFault(shown, "", "is nested too deeply to be a sheet")


def validate(
    model: type[SheetType], table: dict[str, Any], shown: str
) -> tuple[SheetType | None, list[SheetFault]]:
    """Check a whole sheet at once: the model, or every fault."""
    try:
        return model.model_validate(table), []
    except ValidationError as error:
        details = error.errors(include_url=False)
        faults = [_fault(model, detail, shown) for detail in details[:MOST_FAULTS]]
        if len(details) > MOST_FAULTS:
            problem = f"has {len(details) - MOST_FAULTS} more faults; mend these first"
            faults.append(SheetFault(shown, "", problem))
        return None, faults


def _fault(model: type[BaseModel], detail: Any, shown: str) -> SheetFault:
    location = [part for part in detail["loc"] if part != "[key]"]
    context = detail.get("ctx", {})
    if context.get("key"):
        location.append(context["key"])
    return SheetFault(shown, dotted(location), _problem(model, location, detail))


def dotted(location: Iterable[str | int]) -> str:
    """("channel", 2, "gain") as "channel[2].gain"."""
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}"
    return text.removeprefix(".")


def _problem(model: type[BaseModel], location: list[str | int], detail: Any) -> str:
    kind, given = detail["type"], detail["input"]
    if kind == "fault":
        return str(detail["msg"])
    if kind == "extra_forbidden":
        known = _keys(_table(model, location[:-1]))
        return f"unknown key{nearest(str(location[-1]), known)}"
    wanted = _wanted(model, location, detail)
    if kind == "missing":
        return f"is missing; wanted {wanted}"
    return f"got {_shortened(given)}; wanted {wanted}"


def _wanted(model: type[BaseModel], location: list[str | int], detail: Any) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "literal_error":
        return f"one of {context['expected']}{_close_choice(detail)}"
    if kind in ("too_short", "too_long"):
        count = context.get("min_length") if kind == "too_short" else context.get("max_length")
        return f"{count} entries" if count != 1 else "at least one entry"
    if kind.startswith("datetime"):
        return "a date and time such as 2026-03-02T10:14:00Z"
    if kind in _WANTED:
        return _WANTED[kind]
    field = _table(model, location[:-1]).model_fields.get(str(location[-1]))
    if kind == "list_type" and (field is None or field.description is None):
        return "a list"
    return _described(field) if field else str(detail["msg"])


def _described(field: FieldInfo) -> str:
    wanted = (getattr(item, "wanted", None) for item in field.metadata)
    return field.description or next(filter(None, wanted), "a value")


def _close_choice(detail: Any) -> str:
    choices = [c.strip(" '") for c in detail["ctx"]["expected"].replace(" or ", ",").split(",")]
    close = difflib.get_close_matches(str(detail["input"]), choices, n=1)
    return f"; did you mean {close[0]!r}?" if close else ""


def _shortened(given: Any) -> str:
    text = repr(given)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _table(model: type[BaseModel], location: Iterable[str | int]) -> type[BaseModel]:
    """The table's model at a location such as ("channel", 2)."""
    for part in location:
        if isinstance(part, int):
            continue
        names = {field.alias or name: field for name, field in model.model_fields.items()}
        inner = _model_in(names[part].annotation) if part in names else None
        if inner is None:
            break
        model = inner
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model inside Optional[...] or list[...]."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_model_in(inner) for inner in get_args(annotation))
    return next((model for model in found if model), None)


def _keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]
