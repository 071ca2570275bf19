"""Characters as marks that can be seen. Bytes from a firmware are hostile: none reaches a page unmarked.

Names of control characters: ITU-T T.50 / ISO/IEC 646 (from memory, checked by the tests against a table).
"""

from __future__ import annotations

from collections.abc import Iterable

# fmt: off
CONTROL_NAMES = (
    "NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI",
    "DLE", "DC1", "DC2", "DC3", "DC4", "NAK", "SYN", "ETB", "CAN", "EM", "SUB", "ESC", "FS", "GS", "RS", "US",
)
# fmt: on

SPACE_MARK = "␣"

ESCAPES = {0x09: "\\t", 0x0A: "\\n", 0x0D: "\\r"}


UNSEEN = "?"
"""A character of which the record shows a part only."""


def mark(value: int | None) -> str:
    """One mark for one value: `A`, `␣`, `\\r`, `\\x80`; a backslash is doubled.

    Control characters as programmers write them: their Unicode pictures are missing in many fonts.
    """
    if value is None:
        return UNSEEN
    if value == 0x20:
        return SPACE_MARK
    if value == 0x5C:
        return "\\\\"
    if 0x21 <= value <= 0x7E:
        return chr(value)
    return ESCAPES.get(value, f"\\x{value:02x}")


def marks(values: Iterable[int | None]) -> str:
    """Several characters in a row, each as its mark."""
    return "".join(mark(v) for v in values)


def short_name(value: int | None) -> str:
    """What fits into a drawn box: `A`, `␣`, `CR`, `80` (hexadecimal)."""
    if value is None:
        return UNSEEN
    if value == 0x20:
        return SPACE_MARK
    if 0x21 <= value <= 0x7E:
        return chr(value)
    if 0 <= value < 0x20:
        return CONTROL_NAMES[value]
    return "DEL" if value == 0x7F else f"{value:02X}"


def spoken(value: int | None) -> str:
    """For tables and screen readers: `A (0x41)`, `space (0x20)`, `CR (0x0D)`, `0x80`."""
    if value is None:
        return "cut off"
    if value == 0x20:
        return "space (0x20)"
    if 0x21 <= value <= 0x7E:
        return f"{chr(value)} (0x{value:02X})"
    if 0 <= value < 0x20:
        return f"{CONTROL_NAMES[value]} (0x{value:02X})"
    return "DEL (0x7F)" if value == 0x7F else f"0x{value:02X}"


def printable(text: str) -> str:
    """Any text (an identity, a message) with its control and invisible characters made visible."""
    return "".join(c if c.isprintable() else _escaped(c) for c in text)


def _escaped(character: str) -> str:
    code = ord(character)
    return mark(code) if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
