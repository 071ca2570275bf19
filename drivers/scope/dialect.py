"""How one family of scopes is spoken to, as records. A dialect is DATA: it comes from a TOML file, holds
no code, and nothing but the text in it is ever sent. dialect_reader.py makes these records from a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

UNITS: dict[str, float] = {
    "V": 1.0, "mV": 1e3, "uV": 1e6,
    "s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9, "ps": 1e12,
    "Hz": 1.0, "kHz": 1e-3, "MHz": 1e-6, "GHz": 1e-9,
    "ohm": 1.0, "kohm": 1e-3, "Mohm": 1e-6,
    "fraction": 1.0, "percent": 100.0,
    "points": 1.0, "div": 1.0, "dB": 1.0, "ratio": 1.0, "gain": 1.0, "number": 1.0,
}  # fmt: skip
"""What a value of ours (volts, seconds, hertz, ohms) is multiplied by to be in that unit."""


@dataclass(frozen=True)
class MessageRules:
    """How units are put together into one message."""

    join: str = ";"
    """Between two units; empty: every unit is a message of its own."""
    root: str = ":"
    """Put before a unit after another, so that it starts at the root of the command tree again."""
    join_queries: bool = True
    """Several queries may stand in one message, and their answers come in one reply."""
    answers: str = ";"
    """Between the answers in such a reply."""
    longest: int = 1000
    """Characters of one message at most."""


@dataclass(frozen=True)
class Reply:
    """How a value is found in the text of a reply."""

    item: int | None = None
    """Which of several items, 1 = first; None: the reply is one value."""
    separator: str = ","
    suffix: str = ""
    """A unit that the instrument puts after its numbers."""
    header: bool = False
    """The reply repeats the command before the value."""


@dataclass(frozen=True)
class Setting:
    """One thing that is set and read back."""

    name: str
    write: tuple[str, ...]
    """Units with {value} and the channel's words in them; empty: cannot be set."""
    query: str | None
    """None: cannot be read back, and what was written counts."""
    means: str = ""
    """What their value stands for, out of MEANINGS of the setting."""
    unit: str = "number"
    factor: float = 1.0
    """Their number = ours in `unit` x factor."""
    divisions: float = 1.0
    referred: str = "tip"
    """Whether their volts are at the probe tip or at the input connector."""
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Our word -> theirs: the first is sent, any of them is understood."""
    number: str = "NRf"
    steps: tuple[float, ...] = ()
    """The values that exist, in their unit."""
    minimum: float | None = None
    maximum: float | None = None
    minimum_query: str | None = None
    maximum_query: str | None = None
    rounding: str = "nearest"
    """Between two steps: up, down or nearest."""
    reply: Reply = Reply()
    settle_s: float = 0.0
    timeout_s: float | None = None


@dataclass(frozen=True)
class Fixed:
    """Something that must be as the dialect says, whatever is measured: sent, read back and compared."""

    name: str
    write: tuple[str, ...]
    query: str | None
    expect: tuple[str, ...]
    """Words or numbers of which the reply must be one."""
    reply: Reply = Reply()
    put_back: tuple[str, ...] = ()
    """Units with {value} that bring back what was there before; empty: there is no way."""


@dataclass(frozen=True)
class SerialLine:
    """How a scope on a serial line is spoken to: what its manual or its menu says of the port."""

    baud: int = 9600
    frame: str = "8N1"
    flow: str = "none"
    """none, xon or rts."""

    @property
    def bytes_per_s(self) -> float:
        """What the line carries at most: start bit, data, parity and stop bits for each byte."""
        data, parity, stop = int(self.frame[0]), self.frame[1] != "N", float(self.frame[2:])
        return self.baud / (1 + data + parity + stop)


@dataclass(frozen=True)
class Action:
    """Something that is done and has no answer."""

    write: tuple[str, ...]
    settle_s: float = 0.0


@dataclass(frozen=True)
class Question:
    """A query on its own."""

    query: str
    timeout_s: float | None = None
    reply: Reply = Reply()


@dataclass(frozen=True)
class EventStatus:
    """The register in which a scope notes that it was switched on; reading clears it (IEEE 488.2 11.5.1)."""

    question: Question
    bit: int = 7
    """The one that says power on, 0 = the lowest."""


@dataclass(frozen=True)
class Poll:
    """How a state is recognised."""

    by: str
    """register: (reply & mask) == value; words: the reply is one of `yes`; answer: a reply comes at all."""
    query: str
    mask: int = 0
    value: int = 0
    yes: tuple[str, ...] = ()
    no: tuple[str, ...] = ()
    reply: Reply = Reply()
    timeout_s: float | None = None


@dataclass(frozen=True)
class CodeFormat:
    """How one sample is sent."""

    bits: int = 8
    bytes: int = 1
    signed: bool = True
    byte_order: str = "big"
    left_justified: bool = False
    scale_per: str = "word"
    """Whether the terms speak of the words as sent, or of codes of `bits` bits (they differ if
    left-justified)."""
    minimum: int | None = None
    maximum: int | None = None


@dataclass(frozen=True)
class RealFormat:
    """How one voltage is sent (IEEE 754), where a scope sends volts instead of codes."""

    bits: int = 32
    byte_order: str = "big"


@dataclass(frozen=True)
class Term:
    """Where one number of the conversion comes from: exactly one of the four."""

    value: float | None = None
    setting: str | None = None
    query: str | None = None
    field: int | None = None
    """Place in the scale line, 0 = first."""
    unit: str = "number"
    reply: Reply = Reply()


@dataclass(frozen=True)
class Windows:
    """A record is fetched in parts of at most `points` samples."""

    points: int
    first: int = 0
    """The number that the first sample has there."""


@dataclass(frozen=True)
class Fetch:
    """How a record is fetched and what its codes mean."""

    query: str
    before: tuple[str, ...] = ()
    data: str = "block"
    """block or numbers: whole codes, as text with commas the second; volts or volt-numbers: voltages, from
    which the codes are found by the terms, and refused if they do not lie on them."""
    newline: bool = True
    code: CodeFormat = CodeFormat()
    real: RealFormat = RealFormat()
    windows: Windows | None = None
    referred: str = "tip"
    """Whether the volts in the terms are at the probe tip or at the input connector."""
    line_query: str | None = None
    line_separator: str = ","
    terms: Mapping[str, Term] = field(default_factory=dict)
    timeout_s: float | None = None


@dataclass(frozen=True)
class Dialect:
    """Everything that is said to one family of scopes."""

    name: str
    about: str
    source: Path
    message: MessageRules
    channels: Mapping[str, Mapping[str, str]]
    """Channel name -> words for the placeholders, {channel} among them."""
    identify: Question
    errors: Question | None
    clear: Action
    reset: Action | None
    self_test: Question | None
    channel_settings: tuple[Setting, ...]
    channel_fixed: tuple[Fixed, ...]
    sweep_settings: tuple[Setting, ...]
    sweep_fixed: tuple[Fixed, ...]
    trigger_settings: tuple[Setting, ...]
    trigger_fixed: tuple[Fixed, ...]
    arm: Action
    force: Action | None
    abort: Action
    done: Poll
    ready: Poll | None
    fetch: Fetch
    options: Question | None = None
    """What is built in or licensed, as one text."""
    event_status: EventStatus | None = None
    """None: nobody sees that it was switched off and on."""
    release: Action | None = None
    """Hands the front panel back to whoever stands before it."""
    serial_line: SerialLine | None = None
    input_ohm: float | None = None
    """Of a scope whose input impedance cannot be switched."""

    def setting(self, name: str) -> Setting | None:
        """The setting of that name ("range", "points", "level", ...), None if there is none."""
        everything = (*self.channel_settings, *self.sweep_settings, *self.trigger_settings)
        return next((setting for setting in everything if setting.name == name), None)
