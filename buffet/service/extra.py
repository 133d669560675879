"""The libraries of the extra `service`, which only the service needs."""

from __future__ import annotations

from importlib.util import find_spec

from buffet.service.errors import FolderError

LIBRARIES = ("fastapi", "uvicorn", "sqlalchemy", "alembic", "python_multipart", "prometheus_client")


def require_extra() -> None:
    """Raises FolderError where one is missing, with what to install."""
    missing = [name for name in LIBRARIES if find_spec(name) is None]
    if missing:
        raise FolderError(
            f"the service needs {', '.join(missing)}: pip install 'buffeting[service]'"
        )
