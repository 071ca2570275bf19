"""The text of a dialect file: TOML, with the line of every key kept, so that a fault can be pointed at.

Nothing in here knows what a dialect is about; dialect_reader.py does.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from drivers.errors import RequestError

Value = TypeVar("Value")
KeyPath = tuple[str, ...]

NEAR = 0.5
"""From this likeness on (difflib's ratio) a word is taken for a misspelled one."""
LOOK_ALIKE = str.maketrans("ilo", "110")

_KEY = r"(?:\"[^\"]*\"|'[^']*'|[A-Za-z0-9_-]+)"
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_HEADER = re.compile(rf"\s*\[\s*({_DOTTED})\s*\]")
_ASSIGNMENT = re.compile(rf"\s*({_DOTTED})\s*=")


class DialectText:
    """One file, parsed, with the lines on which its keys stand."""

    def __init__(self, name: str, text: str) -> None:
        self.name = name
        try:
            self.tables: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise RequestError(f"{name} is no TOML file: {error}") from error
        self._lines = _lines_of_keys(text)

    def line_of(self, path: KeyPath) -> int | None:
        """The line of the key, or of the nearest table around it; None when the file has nothing of it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return None

    def has(self, path: KeyPath) -> bool:
        """True if this very key stands in the file."""
        return path in self._lines


def read_text(path: Path) -> DialectText:
    """The file at `path`. Raises RequestError when it cannot be read."""
    try:
        return DialectText(str(path), path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise RequestError(f"the dialect file {path} cannot be read: {error}") from error


class Table:
    """One table on its way to a record: keys are taken one by one, what is left over at the end is a typo."""

    def __init__(self, content: Mapping[str, Any], path: KeyPath, texts: tuple[DialectText, ...]) -> None:
        self._left = dict(content)
        self._known: list[str] = []
        self.path = path
        self._texts = texts

    def take(self, key: str, check: Callable[[Any], Value], default: Value | None = None) -> Value:
        """The value of `key`, checked; `default` when it is absent. No default means that it must be
        there."""
        self._known.append(key)
        if key not in self._left:
            if default is None:
                raise self.lacks(f"a key {key!r}", [key])
            return default
        return self._checked(key, check)

    def take_optional(self, key: str, check: Callable[[Any], Value]) -> Value | None:
        """The value of `key`, checked, or None when it is absent."""
        self._known.append(key)
        return self._checked(key, check) if key in self._left else None

    def table(self, key: str) -> Table | None:
        """The table under `key`, None when it is absent."""
        self._known.append(key)
        if key not in self._left:
            return None
        content = self._left.pop(key)
        if not isinstance(content, dict):
            raise self.fault(f"{key!r} must be a table, was {content!r}", key)
        return Table(content, (*self.path, key), self._texts)

    def needed_table(self, key: str) -> Table:
        """The table under `key`, which must be there."""
        found = self.table(key)
        if found is None:
            raise self.lacks(f"a table [{'.'.join((*self.path, key))}]", [key])
        return found

    def lacks(self, what: str, keys: Sequence[str]) -> RequestError:
        """An error about `keys` that must stand here. One that nobody knows and that is near to one of
        them is told instead, in its line: it is the same thing with a typo."""
        for key in keys:
            near = self._meant_for(key)
            if near is not None:
                return self.fault(f"does not know {near!r}; did you mean {key!r}? (It needs {what}.)", near)
        return self.fault(f"needs {what}")

    def lacks_words(self, what: str, words: Sequence[str]) -> RequestError:
        """The same where nothing else may stand here than such words: whatever is left is one that is wrong,
        however little it looks like the one that was meant."""
        stranger = next(iter(self._left), None)
        if stranger is None:
            return self.lacks(what, words)
        meant = did_you_mean(stranger, words) if len(words) > 1 else f"; did you mean {words[0]!r}?"
        return self.fault(f"does not know {stranger!r}{meant} (It needs {what}.)", stranger)

    def no_typo_of(self, key: str) -> None:
        """Refuses a key that is near to an optional one which is not there and matters to what is read
        next: its typo would be told as another fault."""
        near = None if key in self._left else self._meant_for(key)
        if near is not None:
            raise self.fault(f"does not know {near!r}; did you mean {key!r}?", near)

    def peek(self, key: str) -> Any:
        """What stands under `key`, not yet checked; None when it is absent."""
        return self._left.get(key)

    def names(self) -> list[str]:
        """The keys that have not been taken yet, in the order of the file."""
        return list(self._left)

    def done(self) -> None:
        """Everything has been taken: whatever is left is not known here."""
        for key in self._left:
            raise self.fault(f"does not know {key!r}{did_you_mean(key, self._known)}", key)

    def fault(self, words: str, key: str | None = None) -> RequestError:
        """An error that names the file, the line and the table."""
        path = self.path if key is None else (*self.path, key)
        where = f"[{'.'.join(self.path)}]" if self.path else "the file"
        for text in self._texts:
            if text.has(path) or text is self._texts[-1]:
                line = text.line_of(path)
                place = f"{text.name}, line {line}" if line else text.name
                return RequestError(f"{place}: {where} {words}")
        raise AssertionError("a table without a text")

    def _meant_for(self, key: str) -> str | None:
        """The key of the file, not taken yet, that was most likely meant to be `key`."""
        near = difflib.get_close_matches(key, self._left, n=1, cutoff=0.75)
        return near[0] if near else None

    def _checked(self, key: str, check: Callable[[Any], Value]) -> Value:
        value = self._left.pop(key)
        try:
            return check(value)
        except ValueError as error:
            raise self.fault(f"has {key} = {_shown(value)}: {error}", key) from None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """The end of a sentence about an unknown word: the nearest known one (each of them, where some are
    equally near), or all of them when none is near."""
    all_known = sorted(set(known))
    nearness = {k: difflib.SequenceMatcher(None, _looks(k), _looks(word)).ratio() for k in all_known}
    best = max(nearness.values(), default=0.0)
    if best < NEAR:
        return "; it knows " + ", ".join(all_known)
    *others, last = [repr(k) for k in all_known if nearness[k] == best]
    return f"; did you mean {', '.join(others)} or {last}?" if others else f"; did you mean {last}?"


def _looks(word: str) -> str:
    """As it looks in a printed manual: I, l and 1 are easily taken for each other, O and 0 too."""
    return word.casefold().translate(LOOK_ALIKE)


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _lines_of_keys(text: str) -> dict[KeyPath, int]:
    lines: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = _split_key(header[1])
            for length in range(1, len(table) + 1):
                lines.setdefault(table[:length], number)
        elif assignment := _ASSIGNMENT.match(line):
            lines.setdefault((*table, *_split_key(assignment[1])), number)
    return lines


def _split_key(dotted: str) -> KeyPath:
    return tuple(part.strip("\"'") for part in re.findall(_KEY, dotted))
