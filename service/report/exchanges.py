"""The echoes of a document joined with the characters that they speak of, by their indices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.report.tables import ROLES


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
    """One for each echo of the document, in its order."""
    there = {role: _by_shot(document["lines"][role]["characters"]) for role in ROLES}
    return [
        Exchange(
            index + 1,
            int(echo["shot"]),
            str(echo["status"]),
            _at(there["to_target"], echo["shot"], echo["sent_index"]),
            _at(there["from_target"], echo["shot"], echo["echo_index"]),
        )
        for index, echo in enumerate(document["echoes"])
    ]


def _by_shot(characters: Sequence[Mapping[str, Any]]) -> dict[int, list[Mapping[str, Any]]]:
    sorted_out: dict[int, list[Mapping[str, Any]]] = {}
    for character in characters:
        sorted_out.setdefault(int(character["shot"]), []).append(character)
    return sorted_out


def _at(
    there: Mapping[int, Sequence[Mapping[str, Any]]], shot: int, index: int | None
) -> Mapping[str, Any] | None:
    return None if index is None else there[shot][index]
