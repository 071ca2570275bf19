"""The overall verdict from the criteria, and everything that was judged in one record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from service.pipeline.criteria import Criterion
from service.pipeline.decisions import BENCH, FAIL, INCONCLUSIVE, PASS
from service.pipeline.echoes import Echo
from service.pipeline.evidence import Evidence, ReadShot
from service.pipeline.expectation import Expectation
from service.pipeline.findings import Finding
from service.pipeline.lines import Line
from service.pipeline.measurements import Measurement


@dataclass(frozen=True, eq=False)
class Judgement:
    """The whole result of one test; `document.result_document` writes it as JSON types."""

    verdict: str
    criteria: tuple[Criterion, ...]
    findings: tuple[Finding, ...]
    lines: Mapping[str, Line]
    """By role, both always."""
    echoes: tuple[Echo, ...]
    measurements: tuple[Measurement, ...]
    shots: tuple[ReadShot, ...]
    """With the roles as the traffic has them."""
    expectation: Expectation


def overall(criteria: Iterable[Criterion]) -> str:
    """fail if a required criterion fails; else inconclusive if a required one is; else pass."""
    verdicts = {c.verdict for c in criteria if c.required}
    if FAIL in verdicts:
        return FAIL
    return INCONCLUSIVE if INCONCLUSIVE in verdicts else PASS


def judgement(evidence: Evidence) -> Judgement:
    """Close the case."""
    return Judgement(
        overall(evidence.criteria),
        evidence.criteria,
        evidence.findings,
        evidence.lines,
        evidence.echoes,
        tuple(_softened(m, evidence.criteria) for m in evidence.measurements),
        evidence.shots,
        evidence.expectation,
    )


def _softened(measurement: Measurement, criteria: Iterable[Criterion]) -> Measurement:
    """A number that belongs to a void criterion decides nothing either."""
    void = any(c.name == measurement.criterion and c.cause == BENCH for c in criteria)
    if void and measurement.verdict is not None:
        return replace(measurement, verdict=INCONCLUSIVE)
    return measurement
