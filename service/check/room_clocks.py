"""The room's clocks: each station's rates against the medians of all, which no single station can know.

A reference terminal runs from its scope's own oscillator and proves nothing; two crystals prove a scope's
clock to some hundred ppm. What all stations show alike is common to them; what one shows alone is its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.check.times import PPM
from service.pipeline.clocks import (
    BOARD,
    BRIDGE,
    FEWEST_STATIONS,
    SCOPE,
    Rate,
    Station,
    Suspect,
    suspects_of_room,
)

WHOSE = {SCOPE: "scope's", BRIDGE: "serial link's", BOARD: "board's"}
WHAT_TO_DO = {
    SCOPE: "Use another station where bit times count, and have the scope's oscillator looked at.",
    BRIDGE: "Try another serial adapter there.",
    BOARD: "Try another board of the same kind there.",
}
TO_BE_SURE = "To be sure, exchange its board with another station's and check both: what stays is its own."
LEAST_PPM = 60.0
"""Less is not told: crystals of one make differ by as much from day to day (common practice, no source)."""


def suspects_of(documents: Sequence[Mapping[str, Any]]) -> dict[str, Suspect]:
    """By station: which part is off, surely or probably, or which ones may be.

    `documents`: the newest check document of each station of the room; empty where the room is too small.
    """
    stations = [_seen(document) for document in documents]
    known = [one for one in stations if one.bridge is not None or one.board is not None]
    if len(known) < FEWEST_STATIONS:
        return {}
    return {name: one for name, one in suspects_of_room(known).items() if _told(one)}


def as_documents(suspects: Mapping[str, Suspect]) -> list[dict[str, Any]]:
    """JSON: station, part, whether that is sure, which others it may be, ppm with u, and the sentence.

    `part` is None where none is likelier than the others together.
    """
    return [
        {
            "station": name,
            "part": one.part or one.likely,
            "sure": one.known,
            "candidates": list(one.candidates),
            "off_ppm": None if one.off_ppm is None else one.off_ppm.value,
            "u_ppm": None if one.off_ppm is None else one.off_ppm.u,
            "because": _in_words(one),
        }
        for name, one in suspects.items()
    ]


def in_sentences(suspects: Mapping[str, Suspect]) -> dict[str, str]:
    """For a person who looks at the whole room, by station."""
    return {name: f"{name}: {_in_words(one)}" for name, one in suspects.items()}


def _in_words(one: Suspect) -> str:
    part, off = one.part or one.likely, one.off_ppm
    if part is None or off is None:
        whose = " or ".join(f"the {WHOSE[part]}" for part in one.candidates)
        return f"{whose} clock is off against those of the other stations. {TO_BE_SURE}"
    probably = "" if one.known else "probably "
    told = (
        f"the {WHOSE[part]} clock is {probably}{off.value:+.0f} ppm off against those of the other stations."
    )
    return f"{told} {WHAT_TO_DO[part] if one.known else TO_BE_SURE}"


def _told(suspect: Suspect) -> bool:
    """Not that all is good, nor too little to matter. What may be one of two is told with both."""
    off = suspect.off_ppm
    return bool(suspect.part or suspect.candidates) and (off is None or abs(off.value) >= LEAST_PPM)


def _seen(document: Mapping[str, Any]) -> Station:
    items = {item["name"]: item for item in document["items"]}
    return Station(document["station"], _rate(items, "to_target.rate"), _rate(items, "from_target.rate"))


def _rate(items: Mapping[str, Mapping[str, Any]], name: str) -> Rate | None:
    item = items.get(name)
    if item is None or item["value"] is None:
        return None
    return Rate(PPM * item["value"], PPM * item["u"])
