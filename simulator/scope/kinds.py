"""Kinds of parameters: data -> value -> response text (IEEE 488.2 7.7 and 8.7, SCPI-1999 vol. 1 ch. 7)."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from simulator.scope.errors import ScpiError
from simulator.scope.syntax import BLOCK, EXPRESSION, NUMBER, STRING, WORD, Datum

Limits = tuple[float, float, float]
"""Smallest, largest, default."""


class Kind(Protocol):
    """What a parameter may be."""

    def read(self, datum: Datum, call: Any) -> Any:
        """The value; ScpiError when it is not one."""
        ...

    def show(self, value: Any) -> str:
        """The value as response data."""
        ...


@dataclass(frozen=True)
class Number:
    """A decimal number with a unit; MINimum, MAXimum and DEFault are words for its limits."""

    limits: Callable[[Any], Limits]
    """Gets the call (so that limits may depend on other settings)."""
    unit: str = ""
    integer: bool = False

    def read(self, datum: Datum, call: Any) -> float | int:
        low, high, _ = self.limits(call)
        if datum.kind == WORD:
            value = self.limit(datum, call)
        else:
            value = _expect(datum, NUMBER).number * multiplier(datum.suffix, self.unit)
        if self.integer and math.isfinite(value):
            value = math.floor(value + 0.5)  # rounded, never truncated (488.2 7.7.2)
        if not low <= value <= high:
            raise ScpiError(-222, f"allowed {low:g} to {high:g}{self.unit}, was {value:g}")
        return int(value) if self.integer else float(value)

    def limit(self, datum: Datum, call: Any) -> float:
        """The value of MIN, MAX or DEF."""
        place = {"MIN": 0, "MINIMUM": 0, "MAX": 1, "MAXIMUM": 1, "DEF": 2, "DEFAULT": 2}.get(datum.text)
        if datum.kind != WORD or place is None:
            raise ScpiError(-141, datum.text)
        return self.limits(call)[place]

    def show(self, value: Any) -> str:
        return str(int(value)) if self.integer else nr3(float(value))


@dataclass(frozen=True)
class Boolean:
    """ON, OFF or a number, which is rounded."""

    def read(self, datum: Datum, _call: Any) -> bool:
        if datum.kind == WORD:
            if datum.text not in ("ON", "OFF"):
                raise ScpiError(-141, datum.text)
            return datum.text == "ON"
        number = _expect(datum, NUMBER)
        if number.suffix:
            raise ScpiError(-138, number.suffix)
        return math.floor(number.number + 0.5) != 0

    def show(self, value: Any) -> str:
        return "1" if value else "0"


@dataclass(frozen=True)
class Choice:
    """One of some words, written `NORMal|SWAPped`; a word that ends in `#` takes a channel number."""

    words: str

    def read(self, datum: Datum, _call: Any) -> str:
        if datum.kind == NUMBER:
            raise ScpiError(-128, datum.text[:20])
        text = _expect(datum, WORD).text
        for word in self.words.split("|"):
            spelled = word_pattern(word)
            if found := re.fullmatch(spelled, text):
                number = found.group("number") if word.endswith("#") else None
                return short(word) + (number or "1" if word.endswith("#") else "")
        raise ScpiError(-224, f"{text[:20]} is none of {self.words.replace('#', '')}")

    def show(self, value: Any) -> str:
        return str(value)


@dataclass(frozen=True)
class Text:
    """A string."""

    def read(self, datum: Datum, _call: Any) -> str:
        return _expect(datum, STRING).text

    def show(self, value: Any) -> str:
        return quoted(str(value))


@dataclass(frozen=True)
class Channels:
    """A channel list, `(@1)`, `(@1,2)`, `(@1:2)`; the value is a tuple of numbers."""

    count: int = 2

    def read(self, datum: Datum, _call: Any) -> tuple[int, ...]:
        found = re.fullmatch(r"\(\s*@\s*([\d\s:,]+?)\s*\)", _expect(datum, EXPRESSION).text)
        if not found:
            raise ScpiError(-171, datum.text[:20])
        channels = [number for part in found.group(1).split(",") for number in self._range(part)]
        if any(not 1 <= channel <= self.count for channel in channels):
            raise ScpiError(-222, f"channels 1 to {self.count}")
        return tuple(channels)

    def show(self, value: Any) -> str:
        return f"(@{','.join(str(channel) for channel in value)})"

    def _range(self, text: str) -> range:
        try:
            ends = [int(end) for end in text.split(":")]
        except ValueError:
            raise ScpiError(-171, text[:20]) from None
        if len(ends) > 2 or ends[0] > ends[-1]:
            raise ScpiError(-171, text[:20])
        return range(ends[0], ends[-1] + 1)


def multiplier(suffix: str, unit: str) -> float:
    """What `suffix` (upper case) multiplies a number by that is wanted in `unit`."""
    if not suffix or suffix == unit:
        return 1.0
    if not unit:
        raise ScpiError(-138, suffix)
    if suffix in ("MHZ", "MOHM") and suffix.endswith(unit):
        return 1e6
    if not suffix.endswith(unit) or unit == "DB" or suffix[: -len(unit)] not in MULTIPLIERS:
        raise ScpiError(-131, suffix)
    return MULTIPLIERS[suffix[: -len(unit)]]


def nr3(value: float) -> str:
    """A response number with exponent and enough digits; 9.9E37 stands for infinity."""
    if math.isnan(value):
        return "9.91E+37"
    if math.isinf(value):
        return "9.9E+37" if value > 0 else "-9.9E+37"
    return f"{value:.12E}"


def quoted(text: str) -> str:
    """String response data."""
    return '"' + text.replace('"', '""') + '"'


def short(word: str) -> str:
    """The short form of a word written like `NORMal`: its capitals."""
    return "".join(character for character in word if character.isupper() or character.isdigit())


def word_pattern(word: str) -> str:
    """A pattern for exactly the short and the long spelling, with a number where it ends in `#`."""
    long = re.escape(word.rstrip("#").upper())
    return f"(?:{re.escape(short(word))}|{long})" + (r"(?P<number>[12]?)" if word.endswith("#") else "")


def _expect(datum: Datum, kind: str) -> Datum:
    if datum.kind != kind:
        wrong = {BLOCK: -168, EXPRESSION: -178}.get(datum.kind, -104)
        raise ScpiError(wrong, datum.text[:20])
    return datum


MULTIPLIERS = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}
"""IEEE 488.2 7.7.3."""
