"""The command tree: header words -> command (SCPI-1999 vol. 1, 6.2).

Patterns are written as in manuals: `[SENSe#:]SWEep:POINts`, capitals for the short form, brackets for what
may be left out, `#` where a channel number may stand. Two spellings count, the short one and the long one,
in any case. The next unit's header is looked up below the words of the previous header without its last
one, unless it begins with a colon; common commands do not move that place.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from simulator.scope.errors import ScpiError
from simulator.scope.kinds import Kind, short

CHANNELS = 2


@dataclass(frozen=True)
class Command:
    """One row of the command table."""

    pattern: str
    do: Callable[[Any], None] | None = None
    """The set form or action; gets the call."""
    takes: tuple[Kind, ...] = ()
    """Parameters of the set form."""
    may_lack: int = 0
    """How many of these, from the end, may be left out."""
    ask: Callable[[Any], str | bytes] | None = None
    """The query form."""
    ask_takes: tuple[Kind, ...] = ()
    ask_needs: int = 0
    """How many parameters of the query must be there; the rest may be left out."""
    only_idle: bool = False
    """The set form changes the record: -221 while one is being taken."""
    asks_progress: bool = False
    """Asking it is waiting: with the virtual clock, time jumps to the next thing that is known to happen."""
    ends_message: bool = False
    """Its response is arbitrary ASCII: a query after it in the same message is -440."""

    @property
    def needs(self) -> int:
        """How many parameters of the set form must be there."""
        return len(self.takes) - self.may_lack


@dataclass
class _Place:
    takes_number: bool = False
    below: dict[str, _Place] = field(default_factory=dict)
    command: Command | None = None


class Tree:
    """Finds commands by header."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._root = _Place()
        self._common: dict[str, Command] = {}
        for command in commands:
            if command.pattern.startswith("*"):
                self._common[command.pattern] = command
            else:
                for words in spellings(command.pattern):
                    self._add(words, command)

    def common(self, word: str) -> Command:
        """A common command."""
        if word not in self._common:
            raise ScpiError(-113, word[:20])
        return self._common[word]

    def find(self, words: tuple[str, ...]) -> tuple[Command, int]:
        """The command of this path from the root and the channel number in it (1 when there is none)."""
        place, channel = self._root, 1
        for word in words:
            place, number = _step(place, word)
            channel = number or channel
        if place.command is None:
            raise ScpiError(-113, ":".join(words)[:40])
        return place.command, channel

    def _add(self, words: tuple[str, ...], command: Command) -> None:
        place = self._root
        for word in words:
            name = word.rstrip("#")
            found = place.below.setdefault(name.upper(), place.below.get(short(name), _Place()))
            place.below[short(name)] = found
            found.takes_number = found.takes_number or word.endswith("#")
            place = found
        if place.command not in (None, command):
            raise ValueError(f"two commands at one place: {command.pattern} and {place.command}")
        place.command = command


def spellings(pattern: str) -> list[tuple[str, ...]]:
    """All paths of a pattern, each optional part in and out."""
    found = re.search(r"\[([^\[\]]*)\]", pattern)
    if not found:
        return [tuple(word for word in pattern.split(":") if word)]
    before, inside, after = pattern[: found.start()], found.group(1), pattern[found.end() :]
    return spellings(before + inside + after) + spellings(before + after)


def _step(place: _Place, word: str) -> tuple[_Place, int | None]:
    if word in place.below:
        return place.below[word], None
    found = re.fullmatch(r"(.*?)(\d+)", word)
    below = place.below.get(found.group(1)) if found else None
    if found is None or below is None or not below.takes_number:
        raise ScpiError(-113, word[:20])
    number = int(found.group(2))
    if not 1 <= number <= CHANNELS:
        raise ScpiError(-114, word[:20])
    return below, number
