"""Everything that was said to an instrument held against its dialect: nothing else may ever be sent."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator, Mapping, Sequence

from drivers.scope.dialect import Dialect
from drivers.scope.settings import fill

COMMANDS = (
    "write", "query", "put_back", "before", "minimum_query", "maximum_query", "line_query",
)  # fmt: skip


def strangers(dialect: Dialect, heard: Sequence[str]) -> list[str]:
    """Units of the messages in `heard` that are no command of the dialect with its placeholders filled."""
    known = [re.compile(pattern) for pattern in _patterns(dialect)]
    rules = dialect.message
    found = []
    for message in heard:
        units = message.split(rules.join) if rules.join else [message]
        for unit in units:
            bare = unit.removeprefix(rules.root) if rules.root else unit
            if not any(pattern.fullmatch(bare) for pattern in known):
                found.append(unit)
    return found


def _patterns(dialect: Dialect) -> Iterator[str]:
    for text in set(_texts(dialect)):
        for words in dialect.channels.values():
            marks = dict.fromkeys(("value", "first", "last", "count"), "\x00")
            yield re.escape(fill(text, {**words, **marks})).replace("\x00", r"[^;]+")


def _texts(part: object) -> Iterator[str]:
    """All command texts in the records of a dialect."""
    if dataclasses.is_dataclass(part):
        for field in dataclasses.fields(part):
            value = getattr(part, field.name)
            if field.name in COMMANDS:
                yield from (value,) if isinstance(value, str) else value or ()
            else:
                yield from _texts(value)
    elif isinstance(part, Mapping):
        for value in part.values():
            yield from _texts(value)
    elif isinstance(part, tuple):
        for value in part:
            yield from _texts(value)
