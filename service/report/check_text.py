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
    head = f"{document['station']}: {outcome_words(document)}"
    lines = [printable(head), "=" * min(len(head), WIDTH), *_wrapped(f"First: {document['first_step']}")]
    lines += [line for n, step in enumerate(document["next_steps"], 2) for line in _wrapped(f"{n}. {step}")]
    for cause in document.get("causes", ()):
        lines += ["", *_wrapped(cause["words"])]
        told = [f for f in document["findings"] if _explains(cause, f)]
        lines += [line for f in told for line in _wrapped(f"{f['code']}: {f['message']}", "  ")]
    lines += _asked(document)
    lines += ["", "What was checked"] if document["items"] else []
    for item in document["items"]:
        mark = {"pass": "ok  ", "fail": "FAIL", "inconclusive": "?   "}[item["verdict"]]
        line = "" if "." not in item["name"] else f"{item['name'].split('.')[0].replace('_', '-')}: "
        lines += _wrapped(f"{mark} {line}{item['because']}", "  ", "       ")
    if document["outcome"] != "ready" and document.get("local_rules"):
        lines += ["", "Before hands go to the bench"]
        lines += [line for sentence in document["local_rules"] for line in _wrapped(sentence, "  ")]
    if document.get("whole", True):
        lines += ["", f"Holds until {document['valid_until']}, if nothing happens to the station."]
    if "run" in document:
        lines += [f"Run {document['run']['id']}", f"Report {document['run']['report']}"]
    return "\n".join(lines) + "\n"


def outcome_words(document: Mapping[str, Any]) -> str:
    """What the station may be used for; of a part alone, that nothing is wrong with it."""
    if document["outcome"] == "ready" and not document.get("whole", True):
        return f"nothing wrong in what was looked at ({', '.join(document['only'])})"
    return WORDS[document["outcome"]]


def _asked(document: Mapping[str, Any]) -> list[str]:
    """The answer to the question whether it is the bench or the board."""
    told = document.get("bench_or_board")
    if told is None:
        return []
    lines = ["", *_wrapped(told["words"])]
    for one in told["rounds"]:
        words = (
            f"{one['name']}: {one['sent']} characters sent; {one['seen']} on the to-target line, "
            f"{one['stimulus_wrong']} of them wrong; {one['answered']} on the from-target line, "
            f"{one['echo_wrong']} wrong; the PC heard {one['heard']}, {one['heard_wrong']} wrong"
        )
        lines += _wrapped(words, "  ")
    return lines


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
    off = [d for d in ranked if d.get("room")]
    lines += ["", "Against the medians of the room:"] if off else []
    lines += [line for d in off for line in _wrapped(f"{d['station']}: {d['room']['because']}", "  ")]
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
