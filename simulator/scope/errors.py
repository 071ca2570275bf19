"""SCPI errors: numbers and texts (SCPI-1999 vol. 2 ch. 21) and the queue that keeps them."""

from __future__ import annotations

from collections import deque

QUEUE_LENGTH = 32
LONGEST_TEXT = 255


class ScpiError(Exception):
    """The instrument refuses a message: an error number with an optional device-dependent detail."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail


class ErrorQueue:
    """First in, first out; when it is full the last entry becomes -350."""

    def __init__(self) -> None:
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def add(self, number: int, detail: str = "") -> int:
        """Keeps the error and returns the number that was entered."""
        if len(self._entries) >= QUEUE_LENGTH:
            self._entries[-1] = (-350, "")
            return -350
        self._entries.append((number, detail))
        return number

    def pop(self) -> tuple[int, str] | None:
        """The oldest entry, removed; None when there is none."""
        return self._entries.popleft() if self._entries else None

    def take(self) -> str:
        """The oldest entry as a response, removed; `0,"No error"` when there is none."""
        return error_text(*self._entries.popleft()) if self._entries else error_text(0)

    def take_number(self) -> int:
        """Only the number of the oldest entry, removed; 0 when there is none."""
        return self._entries.popleft()[0] if self._entries else 0

    def clear(self) -> None:
        self._entries.clear()


def error_text(number: int, detail: str = "") -> str:
    """`-113,"Undefined header"`, with `;detail` inside the quotes when there is one."""
    words = TEXTS.get(number, "")
    text = f"{words};{detail}" if words and detail else words or detail
    return f'{number},"{text[:LONGEST_TEXT].replace(chr(34), chr(34) * 2)}"'


def event_bit(number: int) -> int:
    """The bit of the standard event status register that this error sets (IEEE 488.2 11.5.1), as a weight."""
    if number > 0:
        return 8
    return EVENT_BITS.get(-number // 100, 0)


EVENT_BITS = {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}
"""Hundreds of the number -> weight: CME, EXE, DDE, QYE, PON, URQ, RQC, OPC."""

TEXTS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -105: "GET not allowed",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -115: "Unexpected number of parameters",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -130: "Suffix error",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -140: "Character data error",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -150: "String data error",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -160: "Block data error",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -170: "Expression error",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -201: "Invalid while in local",
    -202: "Settings lost due to rtl",
    -203: "Command protected",
    -210: "Trigger error",
    -211: "Trigger ignored",
    -212: "Arm ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -215: "Arm deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -225: "Out of memory",
    -226: "Lists not same length",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -232: "Invalid format",
    -233: "Invalid version",
    -240: "Hardware error",
    -241: "Hardware missing",
    -250: "Mass storage error",
    -251: "Missing mass storage",
    -252: "Missing media",
    -253: "Corrupt media",
    -254: "Media full",
    -255: "Directory full",
    -256: "File name not found",
    -257: "File name error",
    -258: "Media protected",
    -260: "Expression error",
    -261: "Math error in expression",
    -300: "Device-specific error",
    -310: "System error",
    -311: "Memory error",
    -313: "Calibration memory lost",
    -314: "Save/recall memory lost",
    -315: "Configuration memory lost",
    -320: "Storage fault",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -361: "Parity error in program message",
    -362: "Framing error in program message",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
    -500: "Power on",
    -600: "User request",
    -700: "Request control",
    -800: "Operation complete",
}
