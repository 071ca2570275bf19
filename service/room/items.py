"""The things of a lab: a scope, a probe, a bridge, a board each have a name of their own and move about.

Rules (ISO/IEC 17025:2017 6.4.4, 6.4.9, from memory): what was out or in repair, and what is new, is for
practice only until a station check has passed with it in its place. Nothing else leads to `in-use`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from service.errors import BadInput

ITEM_KINDS = ("scope", "probe", "bridge", "board", "pc", "supply")
IN_USE, PRACTICE_ONLY, OUT, IN_REPAIR = "in-use", "practice-only", "out", "in-repair"
STATES = (IN_USE, PRACTICE_ONLY, OUT, IN_REPAIR)
LINES = ("to_target", "from_target")
ITEM_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
TEXT_MAX = 2000
CHECKED_KINDS = ("scope", "probe", "bridge", "board")
"""Kinds of which a check speaks by itself; of a PC or a supply it says that the station works with it."""
WORDS = {
    IN_USE: "in use",
    PRACTICE_ONLY: "practice only",
    OUT: "out: not to be used",
    IN_REPAIR: "in repair",
}


@dataclass(frozen=True)
class Placement:
    """Where a thing is or was. Times are RFC 3339 in UTC; `until` None: still there."""

    item: str
    station: str
    place: str
    """Of a probe its line, to_target or from_target; of anything else its kind."""
    channel: str | None
    since: str
    until: str | None
    who: str


@dataclass(frozen=True)
class Item:
    """One thing of the lab."""

    id: str
    kind: str
    label: str
    identity: str | None
    """What it says of itself where it can, e.g. the serial number of a scope."""
    state: str
    state_since: str
    awaits_check: bool
    """Is in use again as soon as a check has passed with it."""
    made_at: str
    placement: Placement | None = None

    @property
    def words(self) -> str:
        """As a person would name it."""
        return f"{self.kind} {self.id}" + (f" ({self.label})" if self.label else "")


@dataclass(frozen=True)
class Entry:
    """One line of a thing's log; nothing in it is ever changed."""

    at: str
    who: str
    what: str
    """made, placed, taken-away, state, note, identity, proved."""
    text: str
    details: Mapping[str, Any]


def moved_to(item: Item, wanted: str, at: str) -> Item:
    """The item after somebody asked for that state: `in-use` is only promised, until a check has passed.

    Raises:
        BadInput: no such state.
    """
    if wanted not in STATES:
        raise BadInput(f"state {wanted!r} is none, there are {', '.join(STATES)}")
    if wanted != IN_USE:
        return replace(item, state=wanted, state_since=at, awaits_check=False)
    if item.state == IN_USE:
        return item
    if item.state == PRACTICE_ONLY:
        return replace(item, awaits_check=True)
    return replace(item, state=PRACTICE_ONLY, state_since=at, awaits_check=True)


def proves(document: Mapping[str, Any], item: Item) -> bool:
    """Whether a check of its station, done since it is there and awaits one, shows the item to be good.

    The whole check, outcome `ready`, and at least one number that speaks of it and passed.
    """
    if document.get("outcome") != "ready" or is_partial(document) or item.placement is None:
        return False
    if item.kind not in CHECKED_KINDS:
        return True
    subject = subject_of(item.kind, item.placement.place)
    spoken = [i for i in document.get("items", ()) if is_about(i.get("subject"), subject)]
    return any(i.get("verdict") == "pass" for i in spoken)


def is_partial(document: Mapping[str, Any]) -> bool:
    """Whether a check looked at a part of the station only, such as the trigger."""
    return not document.get("whole", not document.get("only"))


def subject_of(kind: str, place: str) -> str:
    """How the items of a check call the thing in that place: "probe/to_target", "scope", ..."""
    return f"probe/{place}" if kind == "probe" else kind


def is_about(subject: str | None, wanted: str) -> bool:
    """ "scope/ch1" is about "scope"; "probe/to_target" is not about "probe/from_target"."""
    return subject is not None and (subject == wanted or subject.startswith(f"{wanted}/"))


def due_since(item: Item) -> str | None:
    """From when on a check counts for the item; None while it is nowhere or awaits none."""
    if not item.awaits_check or item.state != PRACTICE_ONLY or item.placement is None:
        return None
    return max(item.state_since, item.placement.since)


def place_for(kind: str, line: str | None) -> str:
    """The place that a thing of that kind takes on a station. BadInput."""
    if kind != "probe":
        if line is not None:
            raise BadInput(f"only a probe is on a line, a {kind} is not")
        return kind
    if line not in LINES:
        raise BadInput(f"a probe is on one of the lines {' and '.join(LINES)}, was {line!r}")
    return line


def checked_text(text: str, what: str) -> str:
    """A person's words, trimmed. BadInput when there are none or too many."""
    text = text.strip()
    if not text or len(text) > TEXT_MAX:
        raise BadInput(f"{what} needs 1 to {TEXT_MAX} characters, had {len(text)}")
    return text
