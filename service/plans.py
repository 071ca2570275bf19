"""What is sent in an echo test: shipped plans by name, text, or bytes in hex."""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.errors import BadPayload, UnknownPlan
from service.pipeline.readings import FrameFormat

LONGEST_PAYLOAD = 4096
"""Characters. At 9,600 Bd this takes 4.3 s and some tens of shots; nobody has asked for more."""


@dataclass(frozen=True)
class Plan:
    """A shipped payload, made for eight data bits; `fitted` makes it fit fewer."""

    name: str
    about: str
    payload: bytes
    pattern: bool = False
    """True: its bits matter, they are cut to the data bits. False: its values matter, too large ones go."""

    def fitted(self, frame: FrameFormat) -> bytes:
        """What of it the frame can carry; BadPayload when that is nothing."""
        above = 1 << frame.data_bits
        if self.pattern:
            return bytes(value % above for value in self.payload)
        fitting = bytes(value for value in self.payload if value < above)
        if not fitting:
            raise BadPayload(
                f"the station's frame {frame} can carry none of the values of plan {self.name!r}"
            )
        return fitting


@dataclass(frozen=True)
class Send:
    """What a person or script asked for; exactly one of the three is set."""

    text: str | None = None
    hex: str | None = None
    plan: str | None = None


def payload_of(send: Send, frame: FrameFormat) -> bytes:
    """The bytes to send on a line with this frame; text goes out as UTF-8.

    Raises:
        UnknownPlan: no plan of that name.
        BadPayload: nothing or several things to send, bad hex, too long, or a value
            that the frame cannot carry.
    """
    given = {name: value for name, value in vars(send).items() if value is not None}
    if len(given) != 1:
        raise BadPayload(f"exactly one of text, hex and plan is needed, got {' and '.join(given) or 'none'}")
    if send.plan is not None:
        return plan_named(send.plan).fitted(frame)
    payload = send.text.encode("utf-8") if send.text is not None else bytes_of_hex(send.hex or "")
    return _checked(payload, frame)


def plan_named(name: str) -> Plan:
    """UnknownPlan names those that there are."""
    for plan in PLANS:
        if plan.name == name:
            return plan
    raise UnknownPlan(f"no plan {name!r}; there are {', '.join(p.name for p in PLANS)}")


def bytes_of_hex(text: str) -> bytes:
    """From "4869", "48 69", "0x48,0x69" or "48:69"; BadPayload names what does not fit."""
    digits = re.sub(r"0[xX]|[\s:,_-]", "", text)
    wrong = re.search(r"[^0-9a-fA-F]", digits)
    if wrong:
        raise BadPayload(f"hex {text[:40]!r}: {wrong.group()!r} is no hexadecimal digit")
    if len(digits) % 2:
        raise BadPayload(f"hex {text[:40]!r} has {len(digits)} digits, an even number is needed")
    return bytes.fromhex(digits)


def _checked(payload: bytes, frame: FrameFormat) -> bytes:
    if not payload:
        raise BadPayload("the payload is empty: an echo test needs at least one character to send")
    if len(payload) > LONGEST_PAYLOAD:
        raise BadPayload(f"the payload has {len(payload)} characters, at most {LONGEST_PAYLOAD} are taken")
    for i, value in enumerate(payload):
        if value >> frame.data_bits:
            raise BadPayload(
                f"character {i + 1} of the payload is {value:#04x}, the station's frame {frame} carries "
                f"{frame.data_bits} data bits, up to {(1 << frame.data_bits) - 1:#04x}"
            )
    return payload


PLANS: tuple[Plan, ...] = (
    Plan("short", "six printable characters, a first sign of life", b"Tide 7"),
    Plan("printable", "every printable ASCII character once", bytes(range(0x20, 0x7F))),
    Plan("all-values", "every value that the data bits can carry, once, rising", bytes(range(256))),
    Plan("square-wave", "0x55: an even square wave with 8N1, best for bit time", b"\x55" * 16, True),
    Plan("long-levels", "0x00 and 0xff in turn: the longest low and high", b"\x00\xff" * 8, True),
    Plan("one-bit-each", "a single 1 walking through 0, then a 0 through 1: tells swapped and stuck bits",
         bytes(1 << i for i in range(8)) + bytes(0xFF ^ (1 << i) for i in range(8)), True),
    Plan("controls", "control characters, which a terminal may swallow", bytes([*range(0x20), 0x7F])),
)  # fmt: skip
