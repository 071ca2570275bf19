"""Both lines of an echo test as closed-form waveforms, sampled as a scope does, and judged."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.chain import judge
from service.pipeline.document import result_document
from service.pipeline.expectation import Expectation
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Shot
from tests.reference import Wire, boundaries, ramp, sampled, volts

F8N1 = FrameFormat(8, "N", 1)
KNOWN = Expectation(baud=230_400.0, frame=F8N1, logic="3.3")
BLIND = Expectation()
TEXT = b"Tide 7, Harbour Street"
WIRE = Wire(noise_v=0.02, shape=ramp(60e-9))
Change = Callable[[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]], tuple[Any, Any]]


def bench(
    payload: Sequence[int] = TEXT,
    echoed: Sequence[int | None] | None = None,
    *,
    wire: Wire = WIRE,
    back: Wire | None = None,
    baud: float = 230_400.0,
    back_baud: float | None = None,
    frame: FrameFormat = F8N1,
    delay_s: float = 6.6e-6,
    gap_s: float = 0.0,
    lead_s: float = 2e-4,
    tail_s: float = 2.5e-3,
    change: Change = lambda a, b, _: (a, b),
) -> Shot:
    """Both lines of an echo test; `echoed` None = everything, with None for a character that is lost."""
    back = back or wire
    answers = payload if echoed is None else echoed
    step = frame.total_bits / baud + gap_s
    flips, _ = boundaries(payload, 1 / baud, frame, 0.0, gap_s)
    answer_flips: list[float] = []
    for n, value in enumerate(answers):
        if value is not None:
            start = n * step + frame.total_bits / baud + delay_s
            answer_flips += boundaries([value], 1 / (back_baud or baud), frame, start)[0]
    end = max([0.0, *flips, *answer_flips]) + tail_s
    count = int((end + lead_s) / wire.interval_s)
    times: NDArray[np.float64] = -lead_s + np.arange(count, dtype=np.float64) * wire.interval_s
    a, b = change(volts(flips, times, wire), volts(answer_flips, times, back), times)
    rng = np.random.default_rng(5)
    return Shot(sampled(a, wire, -lead_s, rng), replace(sampled(b, back, -lead_s, rng), channel="ch2"))


def judged(*shots: Shot, expectation: Expectation = KNOWN) -> dict[str, Any]:
    document = result_document(judge(shots, expectation))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    return document


def said(document: dict[str, Any]) -> set[tuple[str, str | None]]:
    """(code, line) of the findings, without those of severity info."""
    return {(f["code"], f["line"]) for f in document["findings"] if f["severity"] != "info"}


def verdict(document: dict[str, Any], name: str) -> str:
    found = next(c for c in document["criteria"] if c["name"] == name)
    return str(found["verdict"]) + (f"/{found['cause']}" if found["cause"] else "")


def values(document: dict[str, Any], role: str) -> bytes:
    return bytes(c["value"] for c in document["lines"][role]["characters"])
