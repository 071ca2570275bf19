"""Log lines: one JSON object each for machines, plain ones for a terminal; each says which run and station.

Nothing secret leaves through a log: tokens, one-time codes, passwords in addresses and whatever stands behind
Authorization are blotted out in the finished line, wherever they came from.
"""

from __future__ import annotations

import json
import logging
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import TextIO

KINDS = ("auto", "json", "plain")

_run: ContextVar[str | None] = ContextVar("run", default=None)
_station: ContextVar[str | None] = ContextVar("station", default=None)

BLOT = "***"
IS = r"[\"']?\s*[:=]\s*[\"']?"
SECRETS = (
    (re.compile(r"bwt_[A-Za-z0-9_-]{20,}"), BLOT),
    (re.compile(r"(?i)\b(bearer|basic) +[A-Za-z0-9._~+/=-]{4,}"), rf"\1 {BLOT}"),
    (re.compile(rf"(?i)((?:authorization|cookie|benchwarden-session){IS})[^\s\"',;]+"), rf"\1{BLOT}"),
    (re.compile(rf"(?i)((?:token|password|secret|[?&]code){IS})[^\s\"',;&]{{8,}}"), rf"\1{BLOT}"),
    (re.compile(r"(://[^/\s:@]*:)[^/\s@]+(?=@)"), rf"\1{BLOT}"),
)
"""What a secret looks like, and what is left of it."""


@contextmanager
def about(run: str | None = None, station: str | None = None) -> Iterator[None]:
    """Lines of this thread or task are about this run and station while the block runs."""
    tokens = [
        (variable, variable.set(value)) for variable, value in ((_run, run), (_station, station)) if value
    ]
    try:
        yield
    finally:
        for variable, token in reversed(tokens):
            variable.reset(token)


def without_secrets(text: str) -> str:
    """The text with everything blotted out that looks like a secret."""
    for pattern, left in SECRETS:
        text = pattern.sub(left, text)
    return text


class _About(logging.Filter):
    """Puts run and station on each record, in the thread that made it."""

    def filter(self, record: logging.LogRecord) -> bool:
        record.run, record.station = _run.get(), _station.get()
        return True


class JsonLines(logging.Formatter):
    """`at` `level` `logger` `message`, `run` and `station` where there are some, `error`: the traceback."""

    def format(self, record: logging.LogRecord) -> str:
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")[:-6] + "Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": without_secrets(record.getMessage()),
            "run": getattr(record, "run", None),
            "station": getattr(record, "station", None),
            "error": without_secrets(self.formatException(record.exc_info)) if record.exc_info else None,
        }
        return json.dumps(
            {name: value for name, value in line.items() if value is not None}, ensure_ascii=True
        )


class PlainLines(logging.Formatter):
    """For people: time, level, logger, then station and run in brackets."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s: %(about)s%(message)s")

    def format(self, record: logging.LogRecord) -> str:
        known = filter(None, (getattr(record, "station", None), getattr(record, "run", None)))
        words = " ".join(known)
        record.about = f"[{words}] " if words else ""
        return without_secrets(super().format(record))


class _StandardError(logging.StreamHandler[TextIO]):
    """Writes to whatever standard error is at that moment."""

    @property
    def stream(self) -> TextIO:
        return sys.stderr

    @stream.setter
    def stream(self, _stream: TextIO) -> None:
        pass


def handler_of(kind: str, stream: TextIO | None = None) -> logging.Handler:
    """A handler that writes lines of that kind; `auto`: plain where a person looks on."""
    handler: logging.StreamHandler[TextIO] = logging.StreamHandler(stream) if stream else _StandardError()
    plain = kind == "plain" or (kind == "auto" and handler.stream.isatty())
    handler.setFormatter(PlainLines() if plain else JsonLines())
    handler.addFilter(_About())
    return handler


def log_to_stderr(kind: str = "plain", level: int = logging.INFO) -> None:
    """What the whole program logs, its libraries included. Does nothing where logging is set up already."""
    root = logging.getLogger()
    if root.handlers:
        return
    root.addHandler(handler_of(kind))
    root.setLevel(level)
    logging.getLogger("alembic").setLevel(logging.WARNING)  # it tells of its own parts at each start
    logging.getLogger("httpx").setLevel(logging.WARNING)  # and this of every request that we make
