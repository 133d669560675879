"""The API's description (OpenAPI)."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from buffet.service.api import problems


def described(app: FastAPI) -> dict[str, Any]:
    """The API's description of itself, with the schema of problem documents."""
    if app.openapi_schema is None:
        found = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes
        )
        schemas = found.setdefault("components", {}).setdefault("schemas", {})
        problem = problems.Problem.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas |= problem.pop("$defs", {})
        schemas["Problem"] = problem
        for operations_of in found["paths"].values():
            for operation in operations_of.values():
                operation["responses"].pop("422", None)  # told by `default`, like all errors
                operation["summary"] = operation.pop("description", operation["summary"])
        app.openapi_schema = found
    return app.openapi_schema
