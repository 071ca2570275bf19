"""The scopes that a simulated bench can have: one row each, at the foot.

They share wires, front end, trigger and acquisition; a row says what the instrument is called, what it
understands, and in what its inside differs. A further one is a table of sentences (vocabulary.py), its manual
in tests/whole/manuals, and a row.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from simulator.scope.curlew import CURLEW, wakes
from simulator.scope.gannet import GANNET
from simulator.scope.standard import STANDARD

if TYPE_CHECKING:
    from simulator.scope.instrument import Conversation
    from simulator.scope.settings import Settings


class Language(Protocol):
    """What a scope understands."""

    @property
    def between_answers(self) -> bytes:
        """Joins the answers of one message."""
        ...

    def carry_out(self, conversation: Conversation, message: bytes) -> None:
        """Every unit of the message, answers and complaints handed to the conversation."""
        ...


@dataclass(frozen=True)
class Maker:
    """One scope."""

    name: str
    about: str
    signature: str
    """Maker and model, as it identifies itself."""
    firmware: str
    language: Language
    dialect: str
    """What a stations file says of it."""
    channels: tuple[str, str] = ("1", "2")
    changes: dict[str, Any] = field(default_factory=dict)
    """Of the plan of the instrument (simulator/plan.py)."""
    wakes: Callable[[Settings], None] = lambda _settings: None
    """Puts the settings after power-on where its own steps are."""


def maker_of(name: str) -> Maker:
    """The row of that name; KeyError names those that there are."""
    for row in MAKERS:
        if row.name == name:
            return row
    raise KeyError(f"no scope {name!r}, there are {', '.join(row.name for row in MAKERS)}")


MAKERS = (
    Maker(
        "standard",
        "speaks the open standard",
        "HARBOUR STREET WORKS,HSW-2 SIMULATED SCOPE",
        "1.0",
        STANDARD,
        dialect="scpi-1999",
    ),
    Maker(
        "curlew",
        "letters for channels, steps for a division, 12 bits in windows, a scale line, words for its state",
        "SALTMARSH WORKS,CURLEW 12",
        "3.4",
        CURLEW,
        dialect="curlew.toml",
        channels=("P", "S"),
        changes={"bits": 12},
        wakes=wakes,
    ),
    Maker(
        "gannet",
        "words for channels, half the picture at the connector, a rate in kHz, a row of flags, no steps",
        "SKERRY INSTRUMENTS,GANNET",
        "B.07",
        GANNET,
        dialect="gannet.toml",
        channels=("left", "right"),
    ),
)
