"""How a response message gets to the controller: at once and whole, or as a fault switch has it.

One row per switch at the foot: its name, one line about it, which responses it works on, and what it makes
of one. Rows without that are worked by a transport itself. Switches are turned on by `--fault NAME[:TIMES]`
or DIAGnostic:FAULt "NAME"[,TIMES].
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simulator.scope.switches import Switches

LATE_S = 1.0
DRIP_S = 20e-3
DRIPS = 50
BLOCKS, TEXTS, ALL = "blocks", "texts", "all"
"""Responses that a switch works on."""
CONNECTIONS = "connections"
"""Worked by server.py when a controller connects."""
HISLIP = "hislip"
"""Worked by hislip.py; other transports have nothing of the kind."""

REFUSED, SILENT_ACCEPT, SERVICE_REQUEST, INTERRUPTED = (
    "refused",
    "silent-accept",
    "service-request",
    "interrupted",
)


@dataclass(frozen=True)
class Delivery:
    """Parts in order, each after a pause in seconds (of real time); how it ends."""

    parts: tuple[tuple[float, bytes], ...]
    ends: bool = True
    """The last part carries the end of the message, where the transport can tell."""
    drops: bool = False
    """The connection is closed after the last part."""


Shape = Callable[[bytes], Delivery]


@dataclass(frozen=True)
class Fault:
    """One row."""

    name: str
    about: str
    works_on: str
    shape: Shape | None = None


def deliver(response: bytes, switches: Switches) -> Delivery:
    """What is to be sent for this response message (without its NL)."""
    kind = BLOCKS if response.startswith(b"#") else TEXTS
    for fault in FAULTS:
        if fault.shape is not None and fault.works_on in (kind, ALL) and switches.take(fault.name):
            return fault.shape(response)
    return whole(response)


def whole(response: bytes) -> Delivery:
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
    return whole(half(response))


def goes_on(response: bytes) -> Delivery:
    return whole(response + response[-200:])


def has_no_length(response: bytes) -> Delivery:
    return whole(b"#0" + response[header_bytes(response) :])


def is_all_line_feeds(response: bytes) -> Delivery:
    header = header_bytes(response)
    return whole(response[:header] + b"\n" * (len(response) - header))


def comes_late(response: bytes) -> Delivery:
    return Delivery(((LATE_S, response + b"\n"),))


def drips(response: bytes) -> Delivery:
    message = response + b"\n"
    size = max(len(message) // DRIPS, 1)
    return Delivery(tuple((DRIP_S, message[begin : begin + size]) for begin in range(0, len(message), size)))


def without_newline(response: bytes) -> Delivery:
    return Delivery(((0.0, response),))


def is_garbage(_response: bytes) -> Delivery:
    return whole(bytes(range(0x80, 0x100)) + bytes(range(0x0B, 0x20)))


def is_not_ascii(response: bytes) -> Delivery:
    """Each byte with its highest bit set, as on a line of 7 bits with a parity bit."""
    return whole(bytes(byte | 0x80 for byte in response))


def header_bytes(block: bytes) -> int:
    """Length of the header of a definite block."""
    return 2 + int(block[1:2])


FAULTS = (
    Fault("dies-in-block", "sends half of a record and drops the connection", BLOCKS, dies),
    Fault("stalls-in-block", "sends half of a record and then nothing more", BLOCKS, stalls),
    Fault("short-block", "ends a record at half of the length that it announced", BLOCKS, ends_early),
    Fault("long-block", "sends more of a record than it announced", BLOCKS, goes_on),
    Fault("endless-block", "sends a record as #0, a block of no stated length", BLOCKS, has_no_length),
    Fault("line-feeds", "sends a record that is nothing but bytes 0x0A", BLOCKS, is_all_line_feeds),
    Fault("silent", "carries a query out and sends no answer", ALL, stays_silent),
    Fault("stalls-in-text", "sends half of a text and then nothing more", TEXTS, stalls),
    Fault("late", "answers a second late", ALL, comes_late),
    Fault("drips", "sends an answer in fifty parts at most, 20 ms apart", ALL, drips),
    Fault("no-newline", "leaves out the NL at the end of an answer", ALL, without_newline),
    Fault("garbage", "answers with bytes that mean nothing", ALL, is_garbage),
    Fault("non-ascii", "answers with the highest bit of each byte set", TEXTS, is_not_ascii),
    Fault(REFUSED, "closes and refuses connections; TIMES is in seconds", CONNECTIONS),
    Fault(SILENT_ACCEPT, "takes a connection and never says a word on it", CONNECTIONS),
    Fault(SERVICE_REQUEST, "requests service though nobody wants it, before an answer", HISLIP),
    Fault(INTERRUPTED, "says that it was interrupted, and drops the answer", HISLIP),
)
SWITCH_NAMES = tuple(fault.name for fault in FAULTS)
