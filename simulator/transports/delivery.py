"""How a response message gets to the controller: at once and whole, or as a fault switch has it.

One row per switch at the foot: its name, one line about it, whether it works on blocks only, and what it
makes of a response. Switches are turned on by `--fault NAME[:TIMES]` or DIAGnostic:FAULt "NAME"[,TIMES].
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simulator.scope.switches import Switches

LATE_S = 1.0
DRIP_S = 10e-3
DRIPS = 50


@dataclass(frozen=True)
class Delivery:
    """Parts in order, each after a pause in seconds (of real time); how it ends."""

    parts: tuple[tuple[float, bytes], ...]
    ends: bool = True
    """The last part carries the end of the message, where the transport can tell."""
    drops: bool = False
    """The connection is closed after the last part."""


Shape = Callable[[bytes], Delivery]


def deliver(response: bytes, switches: Switches) -> Delivery:
    """What is to be sent for this response message (without its NL)."""
    for name, _, blocks_only, shape in SHAPES:
        if (response.startswith(b"#") or not blocks_only) and switches.take(name):
            return shape(response)
    return Delivery(((0.0, response + b"\n"),))


def half(response: bytes) -> bytes:
    return response[: len(response) // 2]


def dies(response: bytes) -> Delivery:
    return Delivery(((0.0, half(response)),), ends=False, drops=True)


def stays_silent(_response: bytes) -> Delivery:
    return Delivery((), ends=False)


def stalls(response: bytes) -> Delivery:
    return Delivery(((0.0, half(response)),), ends=False)


def ends_early(response: bytes) -> Delivery:
    return Delivery(((0.0, half(response) + b"\n"),))


def comes_late(response: bytes) -> Delivery:
    return Delivery(((LATE_S, response + b"\n"),))


def drips(response: bytes) -> Delivery:
    whole = response + b"\n"
    size = max(len(whole) // DRIPS, 1)
    return Delivery(tuple((DRIP_S, whole[begin : begin + size]) for begin in range(0, len(whole), size)))


def without_newline(response: bytes) -> Delivery:
    return Delivery(((0.0, response),))


SHAPES: tuple[tuple[str, str, bool, Shape], ...] = (
    ("dies-in-block", "sends half of a record and drops the connection", True, dies),
    ("stalls-in-block", "sends half of a record and then nothing more", True, stalls),
    ("short-block", "ends a record at half of the length that it announced", True, ends_early),
    ("silent", "carries a query out and sends no answer", False, stays_silent),
    ("late", "answers a second late", False, comes_late),
    ("drips", "sends an answer in fifty parts, 10 ms apart", False, drips),
    ("no-newline", "leaves out the NL at the end of an answer", False, without_newline),
)
"""Name, about, blocks only, what it makes of a response."""
