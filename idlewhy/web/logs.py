"""What the server writes of itself: one JSON object a line, without secrets, names of people or contents of logs."""

from __future__ import annotations

import json
import logging
import sys
import time
from contextlib import suppress
from typing import Any

LOGGER = logging.getLogger("idlewhy.web")


class JsonLines(logging.Formatter):
    """A record as one line of JSON; line breaks and control characters in values are escaped by JSON itself."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "time": time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created)) + f".{int(record.msecs):03d}Z",
            "level": record.levelname.lower(),
            "event": record.getMessage(),
        }
        line.update(getattr(record, "values", {}))
        if record.exc_info and record.exc_info[0]:
            line["fault"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=True, default=str)


class _ToStderr(logging.Handler):
    """Writes to what is stderr at that moment; where nobody reads it any more, serving goes on."""

    def emit(self, record: logging.LogRecord) -> None:
        with suppress(OSError, ValueError):
            sys.stderr.write(f"{self.format(record)}\n")
            sys.stderr.flush()


def set_up(level: int = logging.INFO) -> None:
    """Write the server's log to stderr."""
    handler = _ToStderr()
    handler.setFormatter(JsonLines())
    LOGGER.handlers[:] = [handler]
    LOGGER.setLevel(level)
    LOGGER.propagate = False


def tell(event: str, **values: object) -> None:
    """One line about something that happened."""
    LOGGER.info(event, extra={"values": values})


def warn(event: str, **values: object) -> None:
    """One line about something that should not happen."""
    LOGGER.warning(event, extra={"values": values})
