"""Logs in JSON, one object a line, without addresses, tokens, documents or query strings."""

import logging
import sys
import time
from typing import Final

import orjson

# Only these fields of a record are logged, so that no other data can leak.
_REQUEST: Final = ("request_id", "method", "route", "status", "ms", "problem", "error", "place")
_CUT_OFF: Final = ("computing", "reading", "drawing", "sending", "queued")
_FIELDS: Final = (*_REQUEST, *_CUT_OFF)


class JsonLines(logging.Formatter):
    """Formats a log record as one line of JSON, with its time in UTC."""

    converter = staticmethod(time.gmtime)

    def format(self, record: logging.LogRecord) -> str:
        """The line, without a line end."""
        line: dict[str, object] = {
            "at": f"{self.formatTime(record, '%Y-%m-%dT%H:%M:%S')}Z",
            "level": record.levelname,
            "event": record.getMessage(),
        }
        for name in _FIELDS:
            value = getattr(record, name, None)
            if value is not None:
                line[name] = value
        return orjson.dumps(line, default=str).decode()


def log_as_json(level: str) -> None:
    """Send the log lines of kbapi to standard error as JSON."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    logger = logging.getLogger("kbapi")
    logger.handlers = [handler]
    logger.setLevel(level)
    logger.propagate = False
