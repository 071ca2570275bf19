"""A language as a table: every sentence of an invented maker's manual is one row.

A row is written as the manual has it, `STRETCH {channel} {value}`, with what the sentence does. What no
row fits is an unknown command. Units are what the manual says: rows convert between them and the settings,
which are in volts at the probe tip and in seconds. DIAGnostic messages are understood on every simulated
scope: they belong to the simulator, not to a maker.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simulator.scope.call import Call
from simulator.scope.errors import ScpiError
from simulator.scope.standard import STANDARD

if TYPE_CHECKING:
    from simulator.scope.instrument import Conversation

Words = Mapping[str, str]
"""Placeholder -> what stood there."""
Do = Callable[[Call, Words], "str | bytes | None"]

UNKNOWN, NO_NUMBER, BUSY, REFUSED = -113, -121, -221, -222
"""Standard numbers of what a maker's complaints are about."""


@dataclass(frozen=True)
class Row:
    """One sentence."""

    says: str
    do: Do
    """What it does; what it returns is the answer."""
    only_idle: bool = False
    """It changes the record: refused while one is being taken."""
    asks_progress: bool = False
    """Whoever says it is waiting for the record."""
    busy_s: float = 0.0
    """How long the scope hears nothing else afterwards."""


@dataclass(frozen=True)
class Vocabulary:
    """A maker's language."""

    rows: Sequence[Row]
    channels: Mapping[str, int]
    """Its names of the channels."""
    complaints: Mapping[int, tuple[int, str]]
    """Standard error number -> the maker's number and words; 0: nothing to complain about."""
    between_units: str | None = None
    """What joins several sentences in one message; None: one sentence for each message."""
    between_answers: bytes = b";"
    patterns: list[tuple[re.Pattern[str], Row]] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(
            self, "patterns", [(pattern_of(row.says, self.channels), row) for row in self.rows]
        )

    def carry_out(self, conversation: Conversation, message: bytes) -> None:
        """Every sentence; one that is wrong leaves a complaint, and the next is carried out."""
        if message[:4].upper() == b"DIAG":
            STANDARD.carry_out(conversation, message)
            return
        text = message.decode("latin-1").strip()
        for unit in text.split(self.between_units) if self.between_units else [text]:
            if unit.strip():
                try:
                    self._sentence(conversation, unit.strip())
                except ScpiError as error:
                    conversation.scope.report(error)
                conversation.scope.advance()

    def complaint(self, number: int, detail: str) -> tuple[int, str]:
        """An entry of the error queue in the maker's numbers and words."""
        code, words = self.complaints.get(number, self.complaints[REFUSED])
        return code, f"{words} {detail}".strip()

    def _sentence(self, conversation: Conversation, unit: str) -> None:
        for pattern, row in self.patterns:
            if found := pattern.fullmatch(unit):
                words = found.groupdict()
                call = Call(conversation, self.channels.get(words.get("channel", ""), 1))
                if row.only_idle and conversation.scope.acquisition.busy:
                    raise ScpiError(BUSY)
                answer = row.do(call, words)
                if answer is not None:
                    conversation.answer(answer, asks_progress=row.asks_progress)
                if row.busy_s:
                    conversation.wait_until(conversation.scope.now() + row.busy_s)
                return
        raise ScpiError(UNKNOWN, unit[:20])


def pattern_of(says: str, channels: Mapping[str, int]) -> re.Pattern[str]:
    """What a message is compared with: literally, but for the placeholders."""
    inside = {"channel": "|".join(map(re.escape, channels))}
    word = r"\S+"
    parts = re.split(r"\{(\w+)\}", says)
    literal = [re.escape(part).replace(r"\ ", r"\s+") for part in parts[::2]]
    named = [f"(?P<{name}>{inside.get(name, word)})" for name in parts[1::2]]
    return re.compile("".join(a + b for a, b in zip(literal, [*named, ""], strict=True)))


# --- what rows are made with --------------------------------------------------------------------------------


def number(words: Words, name: str = "value") -> float:
    """The number that stood there; a complaint when it is none."""
    try:
        value = float(words[name])
    except ValueError:
        raise ScpiError(NO_NUMBER, words[name][:20]) from None
    if not math.isfinite(value):
        raise ScpiError(REFUSED, words[name][:20])
    return value


def within(value: float, low: float, high: float) -> float:
    """The value; a complaint when it lies outside."""
    if not low * (1 - 1e-9) <= value <= high * (1 + 1e-9):
        raise ScpiError(REFUSED, f"{value:g}")
    return min(max(value, low), high)


def next_step(value: float, steps: Sequence[float]) -> float:
    """The value itself where it exists, else the next larger; a complaint above the largest."""
    for step in steps:
        if value <= step * (1 + 1e-9):
            return step
    raise ScpiError(REFUSED, f"{value:g}")


def one_two_five(low: float, high: float) -> tuple[float, ...]:
    """Every 1, 2 and 5 times a power of ten in low..high."""
    exponents = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    steps = [float(f"{digit}e{exponent}") for exponent in exponents for digit in (1, 2, 5)]
    return tuple(step for step in steps if low * (1 - 1e-9) <= step <= high * (1 + 1e-9))


def chosen(words: Words, choices: Mapping[str, object], name: str = "value") -> object:
    """What the word that stood there stands for; a complaint when it is none of them."""
    if words[name] not in choices:
        raise ScpiError(REFUSED, words[name][:20])
    return choices[words[name]]


def word_for(value: object, choices: Mapping[str, object]) -> str:
    """The maker's word for a value."""
    return next(word for word, meant in choices.items() if meant == value)


def trigger_moved(call: Call) -> None:
    """From now on the changed trigger counts."""
    call.scope.acquisition.trigger_changed(call.scope.now())


def tell_errors(call: Call, _words: Words) -> str:
    """The oldest complaint, removed."""
    language = call.scope.maker.language
    entry = call.scope.status.errors.pop()
    code, text = language.complaint(*entry) if entry else language.complaint(0, "")  # type: ignore[attr-defined]
    return f'{code},"{text}"'
