"""Station checks as pages for a terminal. Plain text: nothing but the standard library is needed."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from service.check.document import OUTCOMES, WORDS
from service.report.marks import printable

WIDTH = 100


def check_page(document: Mapping[str, Any]) -> str:
    """One station: what it may be used for, what to do, what is behind it, then every item."""
    head = f"{document['station']}: {WORDS[document['outcome']]}"
    lines = [printable(head), "=" * min(len(head), WIDTH), *_wrapped(f"First: {document['first_step']}")]
    lines += [line for n, step in enumerate(document["next_steps"], 2) for line in _wrapped(f"{n}. {step}")]
    for cause in document.get("causes", ()):
        lines += ["", *_wrapped(cause["words"])]
        told = [f for f in document["findings"] if _explains(cause, f)]
        lines += [line for f in told for line in _wrapped(f"{f['code']}: {f['message']}", "  ")]
    lines += ["", "What was checked"]
    for item in document["items"]:
        mark = {"pass": "ok  ", "fail": "FAIL", "inconclusive": "?   "}[item["verdict"]]
        line = "" if "." not in item["name"] else f"{item['name'].split('.')[0].replace('_', '-')}: "
        lines += _wrapped(f"{mark} {line}{item['because']}", "  ", "       ")
    lines += ["", f"Holds until {document['valid_until']}, if nothing happens to the station."]
    if "run" in document:
        lines += [f"Run {document['run']['id']}", f"Report {document['run']['report']}"]
    return "\n".join(lines) + "\n"


def room_page(documents: Sequence[Mapping[str, Any]]) -> str:
    """Several stations, the worst first, with the first thing to do at each."""
    ranked = sorted(documents, key=lambda d: (-OUTCOMES.index(d["outcome"]), d["station"]))
    width = max(len(d["station"]) for d in ranked)
    ready = sum(d["outcome"] == "ready" for d in ranked)
    lines = [f"{ready} of {len(ranked)} stations are ready.", ""]
    for document in ranked:
        start = f"{document['station']:<{width}}  {document['outcome']:<13} "
        step = "" if document["outcome"] == "ready" else document["first_step"]
        lines += _wrapped(start + step, "", " " * len(start)) if step else [start.rstrip()]
    return "\n".join(lines) + "\n"


def _explains(cause: Mapping[str, Any], finding: Mapping[str, Any]) -> bool:
    return any(k["code"] == finding["code"] and k["line"] == finding["line"] for k in cause["explains"])


def _wrapped(text: str, first: str = "", later: str | None = None) -> list[str]:
    return textwrap.wrap(
        printable(text),
        WIDTH,
        initial_indent=first,
        subsequent_indent=first + "   " if later is None else later,
    )
