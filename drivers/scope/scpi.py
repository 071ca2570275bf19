"""IEEE 488.2 and SCPI-1999 as pure functions on text and bytes: no instrument, no socket, no clock.

What an instrument says is parsed strictly: anything that is not of the expected form is a `ReplyError` that
holds what came and what was expected, since a reply that is out of step looks just like a wrong one.
Clause numbers are those of IEEE Std 488.2-1992.
"""

from __future__ import annotations

import enum
import math
import re
from collections.abc import Iterable, Sequence

from drivers.errors import ReplyError, RequestError
from drivers.scope.capture import Identity

LONGEST_ERROR_ENTRY = 255
"""SCPI-1999 vol. 2 ch. 21: number and text of an error queue entry."""

NOT_A_NUMBER = 9.91e37
INFINITE = 9.9e37
"""SCPI-1999 vol. 1 7.2.1: how NAN and INFinity look in a response."""


# --- what we say -----------------------------------------------------------------------------------------


def compose(units: Iterable[str], separator: str = ";", root: str = ":") -> str:
    """Program message units as one message: each unit after the first starts at the root of the tree again.

    Common commands (`*CLS`) carry no root mark (SCPI-1999 vol. 1 6.2.4).
    """
    message = ""
    for unit in units:
        if not message:
            message = unit
        elif unit.startswith(("*", root)) or not root:
            message += separator + unit
        else:
            message += separator + root + unit
    return message


def number_text(value: float, style: str = "NRf") -> str:
    """A number for a command: NR1 (whole), NR2 (point), NR3 (exponent), NRf (the shortest of 12 digits).

    Raises RequestError for what no instrument can be sent (not finite).
    """
    if not math.isfinite(value):
        raise RequestError(f"a setting must be a finite number, was {value!r}")
    if style == "NR1":
        return str(round(value))
    if style == "NR2":
        return f"{value:.12f}".rstrip("0").rstrip(".") or "0"
    if style == "NR3":
        return f"{value:.9E}"
    return f"{value:.12G}"


def quoted(text: str) -> str:
    """String data (7.7.5): in double quotes, a quote inside doubled."""
    return '"' + text.replace('"', '""') + '"'


# --- what it says ----------------------------------------------------------------------------------------


def parse_number(text: str) -> float:
    """NR1, NR2, NR3, any NRf, or #H, #Q, #B; NAN and INFinity (by value or word) as nan and inf."""
    compact = text.strip()
    if _NRF.fullmatch(compact):
        value = float(re.sub(r"\s", "", compact))
        if math.isclose(value, NOT_A_NUMBER, rel_tol=1e-6):
            return math.nan
        if abs(value) >= INFINITE * (1 - 1e-6):
            return math.copysign(math.inf, value)
        return value
    if match := _NON_DECIMAL.fullmatch(compact):
        return float(_whole(match[2], _BASES[match[1].upper()], text))
    if compact.upper() in _SPECIAL:
        return _SPECIAL[compact.upper()]
    error = _unexpected(text, "a number")
    error.args = (f"{error}{how_to_read(compact)}",)
    raise error


def how_to_read(text: str) -> str:
    """What a dialect has to say so that the number in a reply is found; empty when none is seen."""
    if match := _WITH_UNIT.fullmatch(text):
        return f'; reply = {{suffix = "{match[1]}"}} in the dialect takes the unit off'
    if match := _WITH_HEADER.fullmatch(text):
        suffix = f', suffix = "{match[1]}"' if match[1] else ""
        return f"; reply = {{header = true{suffix}}} in the dialect takes the words before it off"
    for separator in ",;/":
        for place, item in enumerate(split_items(text, separator), start=1):
            if separator in text and _NRF.fullmatch(item):
                said = "" if separator == "," else f', separator = "{separator}"'
                return f"; reply = {{item = {place}{said}}} in the dialect takes {item}"
    return ""


def parse_integer(text: str) -> int:
    """A whole number, in whatever form: `+1.00000E+03` is 1000."""
    value = parse_number(text)
    if not (math.isfinite(value) and value == round(value)):
        raise _unexpected(text, "a whole number")
    return round(value)


def parse_boolean(text: str) -> bool:
    """`1` or `0`, or the words ON and OFF."""
    word = text.strip().upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    return parse_integer(text) != 0


def parse_string(text: str) -> str:
    """String data (8.7.8) in either kind of quotes; a doubled quote inside is one quote."""
    body = text.strip()
    if len(body) >= 2 and body[0] in "\"'" and body[-1] == body[0]:
        quote, inner = body[0], body[1:-1]
        if quote not in inner.replace(quote * 2, ""):
            return inner.replace(quote * 2, quote)
    raise _unexpected(text, "a quoted string")


def split_items(text: str, separator: str = ",") -> list[str]:
    """The items of a response, split at `separator` outside quotes; blanks around them dropped."""
    items, start, quote = [], 0, ""
    for position, char in enumerate(text):
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        elif char == separator:
            items.append(text[start:position].strip())
            start = position + 1
    return [*items, text[start:].strip()]


def parse_identity(text: str) -> Identity:
    """The answer to `*IDN?` (10.14): four fields. Some send more commas: they belong to the last field."""
    fields = [field.strip() for field in text.strip().strip('"').split(",", 3)]
    if len(fields) != 4 or not fields[0]:
        raise _unexpected(text, "four fields: maker, model, serial number, firmware")
    return Identity(*fields)


def parse_error(text: str) -> tuple[int, str]:
    """One entry of the error queue, `-113,"Undefined header;detail"` -> (-113, "Undefined header;detail").

    Compare the NUMBER: the text may carry a detail of the device. Some leave out the quotes, or the text.
    """
    number, _, words = text.strip().partition(",")
    if not re.fullmatch(r"[+-]?\d{1,6}", number.strip()) or len(text) > 4 * LONGEST_ERROR_ENTRY:
        raise _unexpected(text, 'an error queue entry: number,"text"')
    words = words.strip()
    return int(number), parse_string(words) if words[:1] in ('"', "'") else words


# --- blocks (7.7.6, 8.7.9) -------------------------------------------------------------------------------


def block_digits(head: bytes) -> int:
    """From the first two bytes of a definite block, `#` and a digit: how many length digits follow."""
    if len(head) != 2 or head[:1] != b"#" or not head[1:].isdigit():
        raise ReplyError(
            f"the answer does not begin with a block header such as #3764, but with {head!r}",
            reply=head,
            expected="# and a digit from 1 to 9",
        )
    if head == b"#0":
        raise ReplyError(
            "the answer is a block of indefinite length (#0): where it ends cannot be known for certain",
            reply=head,
            expected="# and a digit from 1 to 9",
        )
    return head[1] - ord("0")


def block_length(digits: bytes) -> int:
    """From the length digits of a definite block: its length in bytes. Leading zeros are allowed."""
    if not digits.isdigit():
        raise ReplyError(
            f"the length of the block must be digits, was {digits!r}", reply=digits, expected="digits"
        )
    return int(digits)


def parse_block(data: bytes) -> bytes:
    """The payload of one whole definite block, with or without the NL that ends the response."""
    count = block_digits(data[:2])
    length = block_length(data[2 : 2 + count]) if len(data) >= 2 + count else -1
    body = data[2 + count :]
    if length < 0 or len(body) < length:
        raise ReplyError(
            f"the block ends after {len(body)} of {max(length, 0)} bytes",
            reply=data,
            expected="as many bytes as its header says",
        )
    if body[length:] not in (b"", b"\n", b"\r\n"):
        raise ReplyError(
            f"{len(body) - length} bytes follow a block of {length} bytes",
            reply=data,
            expected="a newline after the block",
        )
    return body[:length]


# --- status ----------------------------------------------------------------------------------------------


class StandardEvent(enum.IntFlag):
    """Standard event status register (11.5.1)."""

    OPERATION_COMPLETE = 1
    REQUEST_CONTROL = 2
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    USER_REQUEST = 64
    POWER_ON = 128


class StatusByte(enum.IntFlag):
    """Status byte (11.2), with SCPI's use of the bits that 488.2 leaves free."""

    ERROR_QUEUE = 4
    QUESTIONABLE = 8
    MESSAGE_AVAILABLE = 16
    EVENT_SUMMARY = 32
    MASTER_SUMMARY = 64
    OPERATION = 128


class Operation(enum.IntFlag):
    """STATus:OPERation condition register (SCPI-1999 vol. 1 ch. 9)."""

    CALIBRATING = 1
    SETTLING = 2
    RANGING = 4
    SWEEPING = 8
    MEASURING = 16
    WAITING_FOR_TRIGGER = 32
    WAITING_FOR_ARM = 64
    CORRECTING = 128


def event_of_error(number: int) -> StandardEvent:
    """The standard event bit that an error queue entry sets (SCPI-1999 vol. 2 ch. 21). 0 sets none."""
    if number > 0:
        return StandardEvent.DEVICE_ERROR
    return _EVENT_OF_HUNDRED.get(-number // 100, StandardEvent(0))


def is_event(number: int) -> bool:
    """True for entries that tell an event, not a fault (power on, user request, operation complete)."""
    return number == 0 or -899 <= number <= -500


def errors_only(entries: Sequence[tuple[int, str]]) -> tuple[tuple[int, str], ...]:
    """The entries that are faults."""
    return tuple(entry for entry in entries if not is_event(entry[0]))


def describe_errors(entries: Sequence[tuple[int, str]]) -> str:
    """Entries as a person reads them: `-113 Undefined header; -222 Data out of range`."""
    return "; ".join(f"{number} {text}".strip() for number, text in entries)


def _unexpected(text: str, expected: str) -> ReplyError:
    shown = text if len(text) <= 60 else text[:57] + "..."
    return ReplyError(
        f"{shown!r} is not {expected}", reply=text.encode("latin-1", "replace"), expected=expected
    )


def _whole(digits: str, base: int, text: str) -> int:
    try:
        return int(digits, base)
    except ValueError:
        raise _unexpected(text, "a number") from None


_NRF = re.compile(r"[+-]?\s*(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\s*\d+)?")
_UNIT = r"([^\s\d.,;:+-][^\s,;]*)"
_WITH_UNIT = re.compile(rf"{_NRF.pattern}\s*{_UNIT}")
_WITH_HEADER = re.compile(rf"[^\s\d].*\s{_NRF.pattern}{_UNIT}?")
_NON_DECIMAL = re.compile(r"#([HhQqBb])([0-9A-Fa-f]+)")
_BASES = {"H": 16, "Q": 8, "B": 2}
_SPECIAL = {
    "NAN": math.nan,
    "INF": math.inf,
    "INFINITY": math.inf,
    "NINF": -math.inf,
    "NINFINITY": -math.inf,
}
_EVENT_OF_HUNDRED = {
    1: StandardEvent.COMMAND_ERROR,
    2: StandardEvent.EXECUTION_ERROR,
    3: StandardEvent.DEVICE_ERROR,
    4: StandardEvent.QUERY_ERROR,
    5: StandardEvent.POWER_ON,
    6: StandardEvent.USER_REQUEST,
    7: StandardEvent.REQUEST_CONTROL,
    8: StandardEvent.OPERATION_COMPLETE,
}
