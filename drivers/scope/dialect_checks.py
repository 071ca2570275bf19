"""Checks of single values in a dialect file. Each takes what TOML gave and returns it in our form.

A ValueError says in a few words what is wrong; the table it stands in adds file, line and key.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from typing import Any

from drivers.scope.dialect_text import did_you_mean

PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


def text(value: Any) -> str:
    """A piece of text that can be sent: printable ASCII."""
    if not isinstance(value, str) or not value:
        raise ValueError("must be text in quotes")
    if not (value.isascii() and value.isprintable()):
        raise ValueError("must be printable ASCII: no other character can be sent")
    return value


def any_text(value: Any) -> str:
    """Text, possibly empty."""
    return text(value) if value != "" else ""


def words(value: Any) -> tuple[str, ...]:
    """One text or a list of texts."""
    items = value if isinstance(value, list) else [value]
    return tuple(text(item) for item in items)


def words_or_numbers(value: Any) -> tuple[str, ...]:
    """One text or number, or a list of them, as text."""
    items = value if isinstance(value, list) else [value]
    return tuple(f"{number(item):.12G}" if _is_number(item) else text(item) for item in items)


def command(placeholders: Iterable[str]) -> Callable[[Any], str]:
    """A command or query in which only these placeholders may stand."""
    known = tuple(placeholders)

    def check(value: Any) -> str:
        sent = text(value)
        for name in PLACEHOLDER.findall(sent):
            if name not in known:
                hint = did_you_mean(name, known) if known else "; none may stand here"
                raise ValueError(f"no placeholder {{{name}}}{hint}")
        if "{" in PLACEHOLDER.sub("", sent) or "}" in PLACEHOLDER.sub("", sent):
            raise ValueError("a brace without its partner")
        return sent

    return check


def commands(placeholders: Iterable[str]) -> Callable[[Any], tuple[str, ...]]:
    """One command or a list of them."""
    check = command(placeholders)
    return lambda value: tuple(check(item) for item in (value if isinstance(value, list) else [value]))


def number(value: Any) -> float:
    """A finite number."""
    if not _is_number(value) or not math.isfinite(value):
        raise ValueError("must be a number")
    return float(value)


def positive(value: Any) -> float:
    """A number above 0."""
    if number(value) <= 0:
        raise ValueError("must be above 0")
    return float(value)


def not_negative(value: Any) -> float:
    """A number of 0 or more."""
    if number(value) < 0:
        raise ValueError("must not be negative")
    return float(value)


def whole(least: int = 0, most: int | None = None) -> Callable[[Any], int]:
    """A whole number from `least` to `most`."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError("must be a whole number")
        if value < least or (most is not None and value > most):
            raise ValueError(f"must be {least} or more" if most is None else f"must lie in {least}..{most}")
        return value

    return check


def any_whole(value: Any) -> int:
    """A whole number, negative ones too."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("must be a whole number")
    return value


def boolean(value: Any) -> bool:
    """true or false."""
    if not isinstance(value, bool):
        raise ValueError("must be true or false")
    return value


def one_of(allowed: Iterable[str]) -> Callable[[Any], str]:
    """One of these words."""
    known = tuple(allowed)

    def check(value: Any) -> str:
        if value not in known:
            raise ValueError(f"is not allowed{did_you_mean(str(value), known)}")
        return str(value)

    return check


def frame(value: Any) -> str:
    """Data bits, parity and stop bits of a serial line, such as 8N1 or 7E1."""
    if not isinstance(value, str) or not re.fullmatch(r"[5-8][NEOMS](1|1\.5|2)", value):
        raise ValueError("must be data bits, parity (N E O M S) and stop bits, such as 8N1 or 7E1")
    return value


def one_of_numbers(allowed: tuple[int, ...]) -> Callable[[Any], int]:
    """One of these whole numbers."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or value not in allowed:
            raise ValueError(f"must be {' or '.join(map(str, allowed))}")
        return int(value)

    return check


def steps(value: Any) -> tuple[float, ...]:
    """The values that exist: a list of numbers, or "1-2-5" for 1, 2 and 5 times every power of ten."""
    if value == "1-2-5":
        return tuple(float(f"{digit}e{exponent}") for exponent in range(-12, 13) for digit in (1, 2, 5))
    if not isinstance(value, list) or not value:
        raise ValueError('must be a list of numbers, or "1-2-5"')
    return tuple(sorted(number(item) for item in value))


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
