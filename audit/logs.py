"""Log records as JSON, one object a line, for a service that collects them."""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime

__all__ = ["JsonLines"]

_PLAIN = frozenset(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "taskName"}


class JsonLines(logging.Formatter):
    """``time`` (ISO 8601, UTC), ``level``, ``logger``, ``message``, then what the record was given besides."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, whatever the message holds."""
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        line |= {name: value for name, value in record.__dict__.items() if name not in _PLAIN and name not in line}
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)
