"""Logs on standard error: one JSON object a line for programs, or a line of text for people."""

from __future__ import annotations

import json
import logging
import sys
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any, Literal

Form = Literal["json", "text"]

# Of the request that is being answered, also in the threads that work for it.
REQUEST_ID: ContextVar[str | None] = ContextVar("request_id", default=None)
_OWN = frozenset(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "color_message"}


class JsonLines(logging.Formatter):
    """Time, level, logger, message, request, and what else a record was given."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, whatever the message holds."""
        entry: dict[str, Any] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            **_more(record),
        }
        if record.exc_info:
            entry["exception"] = self.formatException(record.exc_info)
        return json.dumps(entry, default=str)


class TextLines(logging.Formatter):
    """The same for people, in their own time."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, and the traceback under it; nothing in it moves a terminal's cursor."""
        at = datetime.fromtimestamp(record.created).strftime("%H:%M:%S")
        more = "".join(f" {name}={value}" for name, value in _more(record).items())
        line = f"{at} {record.levelname.lower():7} {record.getMessage()}{more}"
        line = "".join(c if c.isprintable() else ascii(c)[1:-1] for c in line)
        if record.exc_info:
            line += f"\n{self.formatException(record.exc_info)}"
        return line


def _more(record: logging.LogRecord) -> dict[str, Any]:
    given = {key: value for key, value in record.__dict__.items() if key not in _OWN}
    request = REQUEST_ID.get()
    return given if request is None else {"request": request, **given}


def configure(form: Form | None = None) -> None:
    """Have all logs go to standard error; without a form as text where that is a terminal."""
    handler = logging.StreamHandler(sys.stderr)
    chosen = form or ("text" if sys.stderr.isatty() else "json")
    handler.setFormatter(TextLines() if chosen == "text" else JsonLines())
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.INFO)
    for name in ("alembic", "uvicorn"):  # the service tells its own start and stop
        logging.getLogger(name).setLevel(logging.WARNING)
