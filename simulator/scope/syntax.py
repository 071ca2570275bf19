"""Program messages: text -> units -> header and data (IEEE 488.2 clause 7, SCPI-1999 vol. 1).

A message is units joined by `;`. A unit is a header, white space, data joined by `,`. Separators inside
strings, parentheses and blocks do not count. Errors are raised where they are met, so that the units before
them are carried out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from simulator.scope.errors import ScpiError

LONGEST_WORD = 12
LARGEST_EXPONENT = 32000
MOST_DIGITS = 255
NUMBER, WORD, STRING, BLOCK, EXPRESSION = "number", "word", "string", "block", "expression"
_SPACE = " \t\r\x0b\x0c\n"


@dataclass(frozen=True)
class Datum:
    """One element of data. `number` is set for numbers only, `suffix` is upper case."""

    kind: str
    text: str
    number: float = 0.0
    suffix: str = ""


@dataclass(frozen=True)
class Unit:
    """One command or query."""

    words: tuple[str, ...]
    """Header words in upper case without colons; a common command is one word with its `*`."""
    rooted: bool
    """It began with a colon."""
    is_query: bool
    data: tuple[Datum, ...]

    @property
    def is_common(self) -> bool:
        return self.words[0].startswith("*")


def units(message: bytes) -> Iterator[Unit]:
    """The units of a program message (without its terminator); empty units are passed over."""
    text = message.decode("latin-1").rstrip("\r\n")
    for part in _split(text, ";"):
        if part.strip(_SPACE):
            yield _unit(part.strip(_SPACE))


def message_end(buffer: bytes | bytearray, start: int = 0) -> int:
    """Index of the NL that ends the first message in `buffer`, -1 when it is not there yet.

    An NL inside a definite block is data. A block can only begin a data element: after white space or a
    comma.
    """
    if buffer.find(b"\n", start) < 0 or b"#" not in buffer:
        return buffer.find(b"\n", start)
    at = start
    while at < len(buffer):
        byte = buffer[at]
        if byte == 0x0A:
            return at
        if byte == 0x23 and at > 0 and buffer[at - 1] in b" \t,":
            length = _block_length(buffer[at : at + 11].decode("latin-1"))
            at += length if length else 1
        else:
            at += 1
    return -1


def _block_length(text: str) -> int:
    """Characters of the definite block that begins here, header included; 0 when there is none."""
    if len(text) < 2 or text[1] not in "123456789":
        return 0
    digits = text[2 : 2 + int(text[1])]
    if len(digits) < int(text[1]) or not digits.isdigit():
        return 0
    return 2 + len(digits) + int(digits)


def _split(text: str, separator: str) -> Iterator[str]:
    """Parts between separators that stand outside strings, parentheses and blocks."""
    begin = at = 0
    while at < len(text):
        character = text[at]
        if character == separator:
            yield text[begin:at]
            begin = at + 1
        at = _past(text, at)
    yield text[begin:]


def _past(text: str, at: int) -> int:
    """Index after the character, string, expression or block at `at`."""
    character = text[at]
    if character in "'\"":
        return _past_closing(text, at, character, -151)
    if character == "(":
        return _past_closing(text, at, ")", -171)
    if character == "#" and (at == 0 or text[at - 1] in " \t,"):
        if text[at + 1 : at + 2] == "0":
            return len(text)
        length = _block_length(text[at : at + 11])
        if at + length > len(text):
            raise ScpiError(-161, "message ended inside the block")
        return at + (length or 1)
    return at + 1


def _past_closing(text: str, at: int, closing: str, error: int) -> int:
    end = text.find(closing, at + 1)
    if end < 0:
        raise ScpiError(error)
    return end + 1


def _unit(text: str) -> Unit:
    header = re.match(r":?\*?[A-Za-z][A-Za-z0-9_]*(:[A-Za-z][A-Za-z0-9_]*)*\??", text)
    if not header:
        allowed = text[0].isascii() and (text[0].isalnum() or text[0] in ":*")
        raise ScpiError(-102 if allowed else -101, text[:20])
    rest = text[header.end() :]
    if rest and rest[0] not in _SPACE:
        raise ScpiError(_header_error(rest[0]), text[:20])
    name = header.group()
    words = tuple(name.strip(":?").upper().split(":"))
    if any(len(word.lstrip("*")) > LONGEST_WORD for word in words):
        raise ScpiError(-112, name[:20])
    return Unit(words, name.startswith(":"), name.endswith("?"), tuple(_data(rest.strip(_SPACE))))


def _header_error(character: str) -> int:
    if character in ":*?":
        return -102
    return -111 if character in "+-.,#'\"(" or character.isdigit() else -101


def _data(text: str) -> Iterator[Datum]:
    if not text:
        return
    for part in _split(text, ","):
        yield _datum(part.strip(_SPACE))


def _datum(text: str) -> Datum:
    if not text:
        raise ScpiError(-109)
    if text[0] in "'\"":
        return _string(text)
    if text[0] == "(":
        return Datum(EXPRESSION, text)
    if text[0] == "#":
        return _after_hash(text)
    if text[0] in "+-." or text[0].isdigit():
        return _number(text)
    return _word(text)


def _string(text: str) -> Datum:
    quote = text[0]
    inner = text[1:-1]
    if len(text) < 2 or text[-1] != quote or quote in inner.replace(quote * 2, ""):
        raise ScpiError(-151)
    return Datum(STRING, inner.replace(quote * 2, quote))


def _after_hash(text: str) -> Datum:
    base = {"H": 16, "Q": 8, "B": 2}.get(text[1:2].upper())
    if base is not None:
        try:
            return Datum(NUMBER, text, float(int(text[2:], base)))
        except ValueError:
            raise ScpiError(-121, text[:20]) from None
    if text[1:2] == "0":
        return Datum(BLOCK, text[2:])
    length = _block_length(text)
    if length != len(text):
        raise ScpiError(-161, text[:20])
    return Datum(BLOCK, text[2 + int(text[1]) :])


def _word(text: str) -> Datum:
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", text):
        raise ScpiError(-103 if re.match(r"[A-Za-z0-9_]+\s", text) else -101, text[:20])
    if len(text) > LONGEST_WORD:
        raise ScpiError(-144, text[:20])
    return Datum(WORD, text.upper())


def _number(text: str) -> Datum:
    """NRf, free as 7.7.2 has it, with an optional suffix: `+1.0 E -3`, `10 MS`."""
    found = re.match(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[eE]\s*([+-]?\s*\d+))?\s*(.*)", text, re.DOTALL)
    if not found:
        raise ScpiError(-121, text[:20])
    mantissa, exponent, suffix = found.group(1), (found.group(2) or "0").replace(" ", ""), found.group(3)
    if suffix and not re.fullmatch(r"[A-Za-z][A-Za-z0-9/.\-]*", suffix):
        raise ScpiError(-121, text[:20])
    if len(suffix) > LONGEST_WORD:
        raise ScpiError(-134, suffix[:20])
    if abs(int(exponent)) > LARGEST_EXPONENT:
        raise ScpiError(-123)
    if len(re.sub(r"\D", "", mantissa).lstrip("0")) > MOST_DIGITS:
        raise ScpiError(-124)
    return Datum(NUMBER, text, float(f"{mantissa}e{exponent}"), suffix.upper())
