"""The page of the API, from its OpenAPI description."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from buffet.service.pages.frame import Frame, render

Document = Mapping[str, Any]

METHODS = ("get", "post", "put", "patch", "delete")
DEEPEST = 6  # of an example's nesting


@dataclass(frozen=True)
class Parameter:
    """One parameter of an operation."""

    name: str
    place: str  # path, query, header
    kind: str
    is_required: bool
    description: str


@dataclass(frozen=True)
class Operation:
    """One method of one address."""

    id: str
    method: str
    path: str
    summary: str
    description: str
    parameters: tuple[Parameter, ...]
    bodies: tuple[tuple[str, str], ...]  # media type and an example
    responses: tuple[tuple[str, str, str], ...]  # status, what it means, media types


def docs_page(frame: Frame, openapi: Document) -> str:
    """Every operation, by tag in the order of their first."""
    groups: dict[str, list[Operation]] = {}
    for path, method, own in _operations(openapi):
        tag = next(iter(own.get("tags") or ()), "other")
        groups.setdefault(tag, []).append(_operation(path, method, own, openapi))
    values = {"info": openapi.get("info", {}), "groups": groups}
    return render("docs", frame, values)


def _operations(openapi: Document) -> Iterator[tuple[str, str, Document]]:
    for path, item in openapi.get("paths", {}).items():
        for method in METHODS:
            if method in item:
                shared = item.get("parameters", [])
                own = item[method]
                yield path, method, {**own, "parameters": [*shared, *own.get("parameters", [])]}


def _operation(path: str, method: str, own: Document, openapi: Document) -> Operation:
    body = _resolved(own.get("requestBody", {}), openapi)
    return Operation(
        own.get("operationId") or f"{method}-{path}",
        method.upper(),
        path,
        own.get("summary", ""),
        own.get("description", ""),
        tuple(_parameter(_resolved(one, openapi), openapi) for one in own["parameters"]),
        tuple((kind, _example(what, openapi)) for kind, what in body.get("content", {}).items()),
        tuple(
            (status, told.get("description", ""), ", ".join(told.get("content", {})))
            for status, one in own.get("responses", {}).items()
            for told in (_resolved(one, openapi),)
        ),
    )


def _parameter(one: Document, openapi: Document) -> Parameter:
    return Parameter(
        one["name"],
        one["in"],
        _kind(one.get("schema", {}), openapi),
        bool(one.get("required", False)),
        one.get("description", ""),
    )


def _resolved(value: Document, openapi: Document) -> Document:
    """What a reference within the description stands for."""
    target = value.get("$ref", "")
    if not target.startswith("#/"):
        return value
    found: Any = openapi
    for part in target[2:].split("/"):
        found = found[part.replace("~1", "/").replace("~0", "~")]
    return _resolved(found, openapi)


def _kind(schema: Document, openapi: Document) -> str:
    """A schema's type in a few words."""
    own = _resolved(schema, openapi)
    if "enum" in own:
        return " | ".join(json.dumps(one, ensure_ascii=False) for one in own["enum"])
    several: Sequence[Document] = own.get("anyOf") or own.get("oneOf") or ()
    if several:
        return " or ".join(dict.fromkeys(_kind(one, openapi) for one in several))
    if own.get("type") == "array":
        return f"list of {_kind(own.get('items', {}), openapi)}"
    kind = own.get("type", "any")
    return " or ".join(kind) if isinstance(kind, list) else str(kind)


def _example(content: Document, openapi: Document) -> str:
    """The example given, or one made of the schema, as JSON."""
    if "example" in content:
        return _text(content["example"])
    for one in content.get("examples", {}).values():
        return _text(_resolved(one, openapi).get("value"))
    return _text(_made(content.get("schema", {}), openapi, DEEPEST))


def _text(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, indent=2, ensure_ascii=False)


def _made(schema: Document, openapi: Document, depth: int) -> Any:
    """A value that a schema describes, by its examples, defaults and types."""
    own = _resolved(schema, openapi)
    for key in ("example", "default", "const"):
        if key in own:
            return own[key]
    for key in ("examples", "enum"):
        if own.get(key):
            return own[key][0]
    several = own.get("anyOf") or own.get("oneOf")
    if several and depth:
        return _made(several[0], openapi, depth - 1)
    if "properties" in own and depth:
        return {key: _made(one, openapi, depth - 1) for key, one in own["properties"].items()}
    if own.get("type") == "array":
        return [_made(own["items"], openapi, depth - 1)] if own.get("items") and depth else []
    plain = {"integer": 0, "number": 0.0, "boolean": False, "string": "text", "object": {}}
    return plain.get(str(own.get("type")))
