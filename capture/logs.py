"""How the daemon writes its log: lines for people, JSON for programs, or with the journal's levels."""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Literal

LogForm = Literal["text", "json", "journal"]

PRIORITIES = {"CRITICAL": 2, "ERROR": 3, "WARNING": 4, "INFO": 6, "DEBUG": 7}
"""Levels of syslog (RFC 5424, table 2), which sd-daemon(3) reads from a prefix in angle brackets."""

_OWN = frozenset(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "taskName"}


class JsonLines(logging.Formatter):
    """One object a line: time (UTC, RFC 3339), level, logger, message; details and error where there are."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as one line."""
        when = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        told = {
            "time": when.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            **{name: value for name, value in record.__dict__.items() if name not in _OWN},
        }
        if record.exc_info:
            told["error"] = self.formatException(record.exc_info)
        return json.dumps(told, ensure_ascii=False, default=str)


class JournalLines(logging.Formatter):
    """A level in front for the journal, which has the time itself; every line of an error has one too."""

    def format(self, record: logging.LogRecord) -> str:
        """The record, a prefix on each of its lines."""
        text = super().format(record)
        prefix = f"<{PRIORITIES.get(record.levelname, 6)}>"
        return "\n".join(prefix + line for line in text.splitlines())


def log_form(asked: LogForm | None, environment: Mapping[str, str] = os.environ) -> LogForm:
    """The asked form; without one the journal's where the journal reads what we write, else text."""
    if asked is not None:
        return asked
    return "journal" if "JOURNAL_STREAM" in environment else "text"


def set_up_logs(form: LogForm) -> None:
    """Log to standard error in that form, once for the process."""
    handler = logging.StreamHandler()
    handler.setFormatter(
        {
            "text": logging.Formatter("%(asctime)s %(levelname)s %(message)s"),
            "json": JsonLines(),
            "journal": JournalLines("%(message)s"),
        }[form]
    )
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    logging.getLogger("uvicorn").setLevel(logging.WARNING)  # its comings and goings say nothing of a hub
