"""The morning summary as plain text: for a terminal, and for mail programs that show no HTML."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from service.report.cautions import LAST_WORD
from service.report.marks import printable

WIDTH = 92
HANDS_ON = (
    "Hands at a bench: ground clip first, tip last; clip only to the board's ground; power off to rewire; "
    "never mains; worn insulation, heat, a smell: stop and report."
)


def morning_text(document: Mapping[str, Any]) -> str:
    """One page, worst first."""
    head = f"Stations on {document['date']}, {document['due_local']} ({document['zone']})"
    lines = [printable(head), "=" * len(head), "", *_wrapped(document["headline"]), ""]
    for row in document["stations"]:
        lines += _station(row)
    for title, sentences in (("Soon", document["soon"]), ("In the whole room", document["standing_out"])):
        if sentences:
            lines += ["", title, *(line for s in sentences for line in _wrapped(f"- {s}", "  "))]
    lines += ["", *_wrapped(HANDS_ON), *_wrapped(LAST_WORD)]
    return "\n".join(lines) + "\n"


def _station(row: Mapping[str, Any]) -> list[str]:
    mark = MARKS[row["outcome"]]
    told = "" if row["outcome"] == "ready" else row["first_step"]
    start = f"{mark} {printable(row['station'])}: {row['state']}"
    lines = [start + (f" (checked {row['checked_local']})" if row["checked_local"] else "")]
    if told:
        lines += _wrapped(f"First: {told}", "      ")
        lines += [line for step in row["next_steps"] for line in _wrapped(f"Then: {step}", "      ")]
        lines += _wrapped(f"Why: {row['because']}", "      ")
    if row["claimed_by"]:
        lines += _wrapped(f"{row['claimed_by']} is at the bench.", "      ")
    return lines


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(printable(text), WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")


MARKS = {"ready": "[ok]", "practice-only": "[~~]", "not-usable": "[XX]", "not-seen": "[??]"}
