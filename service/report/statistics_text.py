"""The lab's statistics as plain text, one page."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from service.pipeline.phrases import many
from service.report.marks import printable

WIDTH = 92
EXPLAINED = (
    "Each range holds the true figure with 95 % certainty: what so few cases can prove. A thing fails "
    "when a person puts it out or in repair, a station when a check finds it not usable; it is mended when "
    "a check has passed again. A station that is left for practice only (a probe switch that was moved) has "
    "not failed: how often that was stands under the checks. Void: the bench or the record, not the board, "
    "kept a test from being judged."
)
KINDS = {
    "station": "stations",
    "scope": "scopes",
    "probe": "probes",
    "bridge": "serial links",
    "board": "boards",
    "pc": "PCs",
    "supply": "supplies",
}
ONE = {
    "station": "station",
    "scope": "scope",
    "probe": "probe",
    "bridge": "serial link",
    "board": "board",
    "pc": "PC",
    "supply": "supply",
}
OUTCOMES = {
    "ready": "ready",
    "practice-only": "practice only",
    "not-usable": "not usable",
    "not-seen": "not seen",
}
TESTS = {"echo-test": "echo tests", "grading": "graded runs"}


def statistics_text(document: Mapping[str, Any]) -> str:
    """Failures, repairs, tests that could not be judged, waiting, and what is left out."""
    head = title_of(document)
    lines = [head, "=" * len(head)]
    for title, rows in sections(document):
        lines += ["", title, *(line for name, words in rows for line in _row(name, words))]
    lines += [
        "",
        "Left out",
        *(line for one in document["left_out"] for line in _said(f"- {one['because']}")),
    ]
    return "\n".join([*lines, "", *textwrap.wrap(EXPLAINED, WIDTH)]) + "\n"


def title_of(document: Mapping[str, Any]) -> str:
    return f"The lab from {document['since'][:10]} to {document['until'][:10]}"


def sections(document: Mapping[str, Any]) -> Iterator[tuple[str, list[tuple[str, str]]]]:
    """(title, rows of name and words); what there was nothing of is one row that says so."""
    failures = [(_counted(row), row["words"]) for row in document["failures"]]
    repairs = [
        (KINDS[row["kind"]], row["words"]) for row in document["repairs"] if row["mended"] or row["open"]
    ]
    tests = [(TESTS[row["kind"]], tests_words(row)) for row in document["tests"] if _any(row)]
    waits = [(row["who"], row["words"]) for row in document["waits"] if row["runs"]]
    yield "Failures per 1,000 hours in service", failures or [("", "nothing was checked yet")]
    checks = [(OUTCOMES[row["outcome"]], row["words"]) for row in document["checks"] if row["of"]]
    yield "Time to repair", repairs or [("", "nothing was broken")]
    yield "What whole checks left the stations fit for", checks or [("", "nothing was checked")]
    yield "Tests that could not be judged", tests or [("", "no test came to an end")]
    yield "Waiting for a bench", waits or [("", "nobody waited")]


def _counted(row: Mapping[str, Any]) -> str:
    return many(row["things"], ONE[row["kind"]], KINDS[row["kind"]])


def tests_words(row: Mapping[str, Any]) -> str:
    """The share, and what the others came to."""
    others = [f"{row[name]:,} {name}" for name in ("pass", "fail", "doubtful", "cancelled") if row[name]]
    return "; ".join([row["words"], *([", ".join(others)] if others else [])])


def _any(row: Mapping[str, Any]) -> bool:
    return bool(row["ended"] or row["cancelled"])


def _row(name: str, words: str) -> list[str]:
    start = f"  {printable(name):24}" if name else "  "
    return textwrap.wrap(printable(words), WIDTH, initial_indent=start, subsequent_indent=" " * 26)


def _said(text: str) -> list[str]:
    return textwrap.wrap(printable(text), WIDTH, initial_indent="  ", subsequent_indent="    ")
