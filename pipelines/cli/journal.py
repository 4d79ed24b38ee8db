"""What the command does, as JSON lines on stderr for a machine that collects logs; off unless asked for.

`SHOPSPREAD_LOG=info` writes events with counts, durations and exit statuses: no name of a person, a vehicle or a
file. `SHOPSPREAD_LOG=debug` adds what a person at the terminal would be told, names included.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
import os
import sys

VARIABLE = "SHOPSPREAD_LOG"
_LEVELS = {"info": logging.INFO, "debug": logging.DEBUG}
_logger = logging.getLogger("shopspread")


class _Lines(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        at = dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(timespec="milliseconds")
        about = {"at": at, "level": record.levelname.lower(), "event": record.getMessage()}
        return json.dumps(about | getattr(record, "facts", {}), ensure_ascii=False, default=str)


def start() -> bool:
    """Write events to stderr if the environment asks for it; whether it does."""
    level = _LEVELS.get(os.environ.get(VARIABLE, "").strip().lower())
    _logger.handlers.clear()
    _logger.propagate = False
    if level is None:
        _logger.setLevel(logging.CRITICAL + 1)
        return False
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Lines())
    _logger.addHandler(handler)
    _logger.setLevel(level)
    return True


def on() -> bool:
    """Whether events are written, in the place of words for a person."""
    # a handler alone may be left from an earlier command of the same process
    return bool(_logger.handlers and os.environ.get(VARIABLE, "").strip())


def event(name: str, **facts: float | str | dict[str, int] | None) -> None:
    """One event at info level; the facts hold nobody's name."""
    _logger.info(name, extra={"facts": facts})


def said(message: str) -> None:
    """What a person would be told, names and all: at debug level only."""
    _logger.debug("said", extra={"facts": {"message": message}})
