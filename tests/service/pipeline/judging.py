"""Judging of readings made by hand, and what a test asks of the result."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from service.pipeline.chain import judge_readings
from service.pipeline.document import result_document
from service.pipeline.evidence import ReadShot
from service.pipeline.expectation import Expectation
from service.pipeline.findings import Finding
from tests.service.pipeline.builders import (
    BAUD,
    F8N1,
    LOOKS,
    T,
    echo_of,
    shot,
    train,
)

KNOWN = Expectation(baud=BAUD, frame=F8N1, logic="3.3")
SENT = train(b"Tide 7")
FRAME = 10 * T
BACK = replace(LOOKS, channel="ch2")


def judged(
    *shots: ReadShot, expectation: Expectation = KNOWN, given: Sequence[Finding] = ()
) -> dict[str, Any]:
    """The result document, proven to be JSON."""
    document = result_document(judge_readings(shots, expectation, given))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    return document


def document_of(*shots: ReadShot, expectation: Expectation = KNOWN) -> dict[str, Any]:
    """The result document."""
    return result_document(judge_readings(shots, expectation))


def measurement(document: dict[str, Any], name: str) -> dict[str, Any]:
    return next(dict(m) for m in document["measurements"] if m["name"] == name)


def good(payload: bytes = b"Tide 7", **looks: Any) -> dict[str, Any]:
    """The document of an echo as it should be, on a to-target line that looks so."""
    sent = train(payload)
    return document_of(shot(sent, echo_of(sent), to=replace(LOOKS, **looks)))


def codes(document: dict[str, Any], *, info: bool = False) -> list[tuple[str, str, str | None]]:
    """(code, side, line) of all findings but those of severity info."""
    return [
        (f["code"], f["side"], f["line"]) for f in document["findings"] if info or f["severity"] != "info"
    ]


def verdicts(document: dict[str, Any]) -> dict[str, str]:
    """Criterion -> verdict, with the cause behind it where it is inconclusive."""
    return {c["name"]: c["verdict"] + (f"/{c['cause']}" if c["cause"] else "") for c in document["criteria"]}


def finding(document: dict[str, Any], code: str) -> dict[str, Any]:
    found = [f for f in document["findings"] if f["code"] == code]
    assert len(found) == 1, codes(document)
    return dict(found[0])
