"""The [room] table of the stations file: what the room's local officer has entered for an emergency.

[room]
emergency = "112, then the porter, 4711"    # numbers, in the order in which they are called
cut_off = "red button beside the door"      # what takes the benches off the mains, and where it is
approved_by = "I. Holm, laboratory officer" # who has approved this and the cautions shown with it
approved_on = "2027-01-04"
rules = "the sheet on the inside of the door"   # where the local rules stand; optional

The tool asks for no more and knows no better: it shows these words where hands are at a bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.check.cautions import VERSION
from service.toml_tables import Place

WORDS = {
    "emergency": "the numbers to call in an emergency",
    "cut_off": "what takes the benches off the mains, and where it is",
    "approved_by": "the name of the local officer who approves this",
}
KEYS = (*WORDS, "approved_on", "rules")
NOT_ENTERED = (
    "Nobody has entered this room's emergency numbers and cut-off place. Ask the local officer before you "
    "begin; they belong under [room] in the stations file."
)


@dataclass(frozen=True)
class RoomRules:
    """As the local officer has it."""

    emergency: str
    cut_off: str
    approved_by: str
    approved_on: str
    """ISO 8601 date."""
    rules: str = ""


def read_room(table: Any, where: Place) -> RoomRules | None:
    """The table, None where there is none. BadStationsFile: a part is missing or wrong."""
    if table is None:
        return None
    where.table_of(table, KEYS)
    texts = {key: " ".join(where.text(table, key, words).split()) for key, words in WORDS.items()}
    rules = where.text(table, "rules", "where the local rules stand") if "rules" in table else ""
    return RoomRules(**texts, approved_on=_day(table, where), rules=" ".join(rules.split()))


def urgent(room: RoomRules | None) -> tuple[str, ...]:
    """What a person needs when it must go fast; nothing where nobody has entered it."""
    if room is None:
        return ()
    return (f"Emergency: {_ended(room.emergency)}", f"Cut-off: {_ended(room.cut_off)}")


def all_of(room: RoomRules | None) -> tuple[str, ...]:
    """The same with the local rules, and who approved what; or that nobody has."""
    if room is None:
        return (NOT_ENTERED, f"Cautions: version {VERSION}, approved by nobody here.")
    where = (f"Local rules: {_ended(room.rules)}",) if room.rules else ()
    who = _ended(f"approved by {room.approved_by} on {room.approved_on}")
    return (*urgent(room), *where, f"Cautions: version {VERSION}, {who}")


def _day(table: Mapping[str, Any], where: Place) -> str:
    """TOML knows dates; a text of the same form will do."""
    given = table.get("approved_on")
    if type(given) is date:
        return given.isoformat()
    words = 'a day such as "2027-01-04"'
    try:
        return date.fromisoformat(where.text(table, "approved_on", words)).isoformat()
    except ValueError:
        raise where.wrong(f"must be {words}, was {given!r}", "approved_on") from None


def _ended(text: str) -> str:
    return text if text.endswith((".", "!")) else f"{text}."
