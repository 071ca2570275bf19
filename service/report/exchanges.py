"""The echoes of a document joined with the characters on the lines that they speak of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.report.tables import ROLES

LOOK_AHEAD = 64
"""Characters of a line among which one is looked for: a bound, so that long tests do not take n x n steps."""


@dataclass(frozen=True)
class Exchange:
    """One echo of the document with its characters on the lines (None: there is none)."""

    number: int
    shot: int
    status: str
    sent: Mapping[str, Any] | None
    echoed: Mapping[str, Any] | None

    @property
    def flawed(self) -> bool:
        errors = [c["errors"] for c in (self.sent, self.echoed) if c is not None]
        return self.status != "ok" or any(errors)


def exchanges(document: Mapping[str, Any]) -> list[Exchange]:
    """The document's echoes with the characters that they speak of, matched by order and by time."""
    waiting = {role: _by_shot(document["lines"][role]["characters"]) for role in ROLES}
    paired = []
    for index, echo in enumerate(document["echoes"]):
        shot = int(echo["shot"])
        sent = _take(waiting["to_target"].get(shot, []), echo["sent"], None)
        due = (
            sent["start_s"] + echo["start_to_start_s"]
            if sent and echo["start_to_start_s"] is not None
            else None
        )
        echoed = _take(waiting["from_target"].get(shot, []), echo["echoed"], due)
        paired.append(Exchange(index + 1, shot, str(echo["status"]), sent, echoed))
    return paired


def _by_shot(characters: Sequence[Mapping[str, Any]]) -> dict[int, list[Mapping[str, Any]]]:
    sorted_out: dict[int, list[Mapping[str, Any]]] = {}
    for character in characters:
        sorted_out.setdefault(int(character["shot"]), []).append(character)
    return sorted_out


def _take(
    waiting: list[Mapping[str, Any]], value: int | None, due_s: float | None
) -> Mapping[str, Any] | None:
    """Takes the character out: the one nearest to the due time, else the first with that value."""
    fitting = [c for c in waiting[:LOOK_AHEAD] if value is not None and c["value"] == value]
    if not fitting:
        return None
    taken = fitting[0] if due_s is None else min(fitting, key=lambda c: abs(c["start_s"] - due_s))
    waiting.remove(taken)
    return taken
