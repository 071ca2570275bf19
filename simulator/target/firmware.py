"""What the target's program does with a character: character in -> characters out.

A program sees only what its UART gave it. `heard` counts from 0 within a burst (the line was quiet for at
least BURST_GAP_S before it), so that each burst shows the same behaviour.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

BURST_GAP_S = 10e-3
BREAK_BITS = 24
"""Length of a break that a program sends, in bit times."""
EVERY = 5
"""A program that errs does so at the second character of every five."""


@dataclass
class Memory:
    """The program's variables."""

    heard: int = 0
    kept: list[int] = field(default_factory=list)

    def is_the_one(self) -> bool:
        """Whether the present character is one of those at which a faulty program errs."""
        return self.heard % EVERY == 1


@dataclass(frozen=True)
class Answer:
    """One thing to send: a character, or a break of BREAK_BITS."""

    value: int = 0
    is_break: bool = False


Program = Callable[[Memory, int], list[Answer]]


def echo(_memory: Memory, value: int) -> list[Answer]:
    """Sends back what came."""
    return [Answer(value)]


def stay_silent(_memory: Memory, _value: int) -> list[Answer]:
    """Reads and says nothing."""
    return []


def drop_one(memory: Memory, value: int) -> list[Answer]:
    """Forgets the second character of every five."""
    return [] if memory.is_the_one() else [Answer(value)]


def double_one(memory: Memory, value: int) -> list[Answer]:
    """Says the second character of every five twice."""
    return [Answer(value)] * (2 if memory.is_the_one() else 1)


def swap_pair(memory: Memory, value: int) -> list[Answer]:
    """Holds the first of every five back until the second has been sent."""
    if memory.heard % EVERY == 0:
        memory.kept.append(value)
        return []
    held = [Answer(kept) for kept in memory.kept]
    memory.kept.clear()
    return [Answer(value), *held]


def change_case(_memory: Memory, value: int) -> list[Answer]:
    """Swaps upper and lower case of letters."""
    is_letter = chr(value & 0xFF).isascii() and chr(value & 0xFF).isalpha()
    return [Answer(value ^ 0x20 if is_letter else value)]


def flip_bit(memory: Memory, value: int) -> list[Answer]:
    """Flips the lowest bit of the second character of every five."""
    return [Answer(value ^ 1 if memory.is_the_one() else value)]


def send_break(memory: Memory, value: int) -> list[Answer]:
    """Sends a break after the second character of every five."""
    return [Answer(value), Answer(is_break=True)] if memory.is_the_one() else [Answer(value)]


@dataclass(frozen=True)
class Firmware:
    """A program and its timing."""

    program: Program = echo
    read_s: float = 2e-6
    """From a received character to the reading of the one-character register."""
    work_s: float = 6e-6
    """From reading to writing the answer; longer work is done from a queue unless `polls`."""
    polls: bool = False
    """True: the register is not read while work goes on, so characters can be overrun."""
    jitter_s: float = 0.4e-6
    """Extra work time, uniform from 0."""
    slows_down_s: float = 0.0
    """Extra work time for each further character of a burst."""
