"""Logs as one JSON object a line on standard error, for whatever collects them."""

from __future__ import annotations

import json
import logging
import sys
from datetime import UTC, datetime
from typing import Any

_OWN = frozenset(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "color_message"}


class JsonLines(logging.Formatter):
    """Time, level, logger, message, and what else a record was given."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, whatever the message holds."""
        entry: dict[str, Any] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        entry |= {key: value for key, value in record.__dict__.items() if key not in _OWN}
        if record.exc_info:
            entry["exception"] = self.formatException(record.exc_info)
        return json.dumps(entry, default=str)


def configure() -> None:
    """Have the service's and the server's logs go to standard error."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.INFO)
    logging.getLogger("alembic").setLevel(logging.WARNING)
