"""The morning summary as plain text: for a terminal, and for mail programs that show no HTML."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from service.report.cautions import LAST_WORD
from service.report.marks import printable

WIDTH = 76
"""Mail programs break longer lines where they like (RFC 5322 2.1.1 asks for 78 at most)."""
STEPS_SHOWN = 2
"""After the first; whoever needs more opens the station's check."""
HANDS_ON = (
    "Hands at a bench: ground clip first, tip last; clip only to the board's ground; power off to rewire; "
    "never mains; worn insulation, heat, a smell: stop and report."
)
AFTER = (
    'When something is mended, check the station again, e.g. "benchwarden check {station}": it is good as '
    "soon as that says ready, not before."
)


def morning_text(document: Mapping[str, Any]) -> str:
    """One page: all stations at a glance, then those that need somebody, worst first."""
    head = f"Stations on {document['date']}, {document['due_local']} ({document['zone']})"
    lines = [printable(head), "=" * len(head), "", *_wrapped(document["headline"]), ""]
    for outcome, names in glance(document):
        title = f"{MARKS[outcome]} {GLANCE_WORDS[outcome]}:"
        lines += _wrapped(f"{title:{GLANCE_WIDTH}}{', '.join(names)}", hang=GLANCE_WIDTH)
    if troubled := in_trouble(document):
        lines += ["", "What to do, worst first", *(line for row in troubled for line in _station(row))]
        lines += ["", *_wrapped(after(document))]
    for title, sentences in news(document):
        lines += ["", title, *(line for s in sentences for line in _wrapped(f"- {s}", hang=2))]
    lines += ["", *_wrapped(HANDS_ON), *_wrapped(LAST_WORD)]
    lines += [line for sentence in document.get("local_rules", ()) for line in _wrapped(sentence)]
    return "\n".join(lines) + "\n"


def glance(document: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """(outcome, stations) for the outcomes that there are, worst first; who is at a bench stands beside
    it."""
    groups: dict[str, list[str]] = {}
    for row in document["stations"]:
        notes = [f"{row['claimed_by']} is there"] if row["claimed_by"] else []
        notes += [f"checked {row['checked_local']}"] if _not_today(row) else []
        name = printable(row["station"] + (f" ({'; '.join(notes)})" if notes else ""))
        groups.setdefault(row["outcome"], []).append(name)
    return list(groups.items())


def news(document: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """(title, sentences) of what is no trouble yet. A summary that was made long ago may lack a part."""
    parts = (
        ("Changed suddenly", document.get("changed", [])),
        ("Soon", document["soon"]),
        ("In the whole room", document["standing_out"]),
    )
    return [(title, sentences) for title, sentences in parts if sentences]


def in_trouble(document: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The rows of stations that are not ready, worst first."""
    return [row for row in document["stations"] if row["outcome"] != "ready"]


def after(document: Mapping[str, Any]) -> str:
    """How a station gets back, with the worst one as example."""
    return AFTER.format(station=in_trouble(document)[0]["station"])


def steps_after(row: Mapping[str, Any]) -> list[str]:
    """What is to be done after the first step, as much as one page bears."""
    return list(row["next_steps"][:STEPS_SHOWN])


def _not_today(row: Mapping[str, Any]) -> bool:
    """An hour alone is of the same day."""
    return bool(row["checked_local"]) and " " in row["checked_local"]


def _station(row: Mapping[str, Any]) -> list[str]:
    start = f"{MARKS[row['outcome']]} {printable(row['station'])}: {row['state']}"
    lines = ["", start + (f" (checked {row['checked_local']})" if row["checked_local"] else "")]
    for word, told in (("First", row["first_step"]), *(("Then", step) for step in steps_after(row))):
        lines += _wrapped(f"{word}: {told}", indent=5)
    lines += _wrapped(f"Why: {row['because']}", indent=5)
    if row["claimed_by"]:
        lines += _wrapped(f"{row['claimed_by']} is at the bench.", indent=5)
    return lines


def _wrapped(text: str, indent: int = 0, hang: int | None = None) -> list[str]:
    """`indent` before all lines, `hang` more from the second on: as far as the label of the first."""
    if hang is None:
        hang = len(text.partition(": ")[0]) + 2 if indent else 0
    start, rest = " " * indent, " " * (indent + hang)
    return textwrap.wrap(
        printable(text), WIDTH, initial_indent=start, subsequent_indent=rest, break_on_hyphens=False
    )


MARKS = {"ready": "[ok]", "practice-only": "[~~]", "not-usable": "[XX]", "not-seen": "[??]"}
GLANCE_WORDS = {
    "not-seen": "Closed, not seen",
    "not-usable": "Closed, not usable",
    "practice-only": "For practice only",
    "ready": "Ready",
}
GLANCE_WIDTH = 25
