"""Logs as one JSON object a line, with secrets blanked whoever wrote them."""

import json
import logging
import re
import sys
from datetime import UTC, datetime
from typing import IO

_SECRET = re.compile(
    r"(\bebb_[A-Za-z0-9]+_|\bwhsec_|(?i:\bbearer\s+)|(?i:\bpassword=)|://[^:/\s@]+:)"
    r"[^\s\"',@]+"
)
_PLAIN = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}


def without_secrets(text: str) -> str:
    """Blank tokens, webhook secrets, bearer headers and passwords."""
    return _SECRET.sub(r"\1***", text)


class JsonLines(logging.Formatter):
    """One record, one line of JSON."""

    def format(self, record: logging.LogRecord) -> str:
        """Write a record."""
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, tz=UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "text": record.getMessage(),
        }
        line |= {name: value for name, value in vars(record).items() if name not in _PLAIN}
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return without_secrets(json.dumps(line, ensure_ascii=False, default=str))


def set_up(*, verbose: bool, stream: IO[str] | None = None) -> None:
    """Send every log of the process to one stream."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.INFO)
    for quiet in ("apscheduler", "werkzeug", "waitress"):
        logging.getLogger(quiet).setLevel(logging.WARNING)
    # A line for every request that waits for a thread would keep it waiting; `pressure` acts on their number.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    if not verbose:
        logging.getLogger("ebbmark_collector.access").setLevel(logging.WARNING)
