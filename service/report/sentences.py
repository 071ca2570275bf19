"""What a page says beneath its tables: what was not measured, and what nobody stated."""

from __future__ import annotations

from service.pipeline.numbers import quantity
from service.pipeline.phrases import line_words
from service.report.marks import printable
from service.report.tables import ROLES, Document
from service.report.words import words_of


def unmeasured(document: Document) -> list[str]:
    """Sentences about what was not measured: one for each reason and line."""
    sentences = []
    for role in ROLES:
        of_reason: dict[str, list[str]] = {}
        for name, why in document["lines"][role].get("unmeasured", {}).items():
            of_reason.setdefault(why, []).append(UNMEASURED_WORDS.get(name, words_of(name)))
        sentences += [
            printable(f"Not measured on the {line_words(role)}: {', '.join(names)}, because {why}.")
            for why, names in of_reason.items()
        ]
    return sentences


def assumptions(document: Document) -> list[str]:
    """Sentences about what nobody stated, so that nobody takes it for known."""
    expected = document.get("expected") or {}
    assumed = [
        f"{words} {quantity(expected[name], unit)}: nobody stated it."
        for name, words, unit in ASSUMED
        if name in expected.get("assumed", ())
    ]
    return assumed + [printable(str(note)) for note in expected.get("notes", ())]


ASSUMED = (
    ("timebase_ppm", "The scope's time base is assumed to be accurate to", "ppm"),
    ("vertical_percent", "The scope's volts are assumed to be accurate to", "%"),
)

UNMEASURED_WORDS = {
    "idle": "idle level",
    "baud": "rate",
    "low": "low level",
    "high": "high level",
    "noise_v": "noise",
    "start_stop_distortion": "start-stop distortion",
}
"""Quantities whose names in the document are not those of the rows."""
