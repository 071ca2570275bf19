"""The chain: shots in, judgement out, one step after the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from service.pipeline.criteria import decide
from service.pipeline.evidence import Evidence, ReadShot
from service.pipeline.expectation import Expectation
from service.pipeline.findings import Finding
from service.pipeline.lines import pool_lines
from service.pipeline.measurements import measure
from service.pipeline.quiet_lines import set_aside
from service.pipeline.read_shots import read_shots
from service.pipeline.rules import find
from service.pipeline.trace import Shot
from service.pipeline.traffic import follow_the_traffic, pair_echoes
from service.pipeline.verdict import Judgement, judgement


def judge(
    shots: Sequence[Shot], expectation: Expectation, findings_so_far: Sequence[Finding] = ()
) -> Judgement:
    """Read both lines of every shot and judge them. Never raises for what is on the lines.

    `findings_so_far` are those of the acquisition; they take part in the judging.
    """
    return judge_readings(read_shots(shots, expectation), expectation, findings_so_far)


def judge_readings(
    shots: Sequence[ReadShot], expectation: Expectation, findings_so_far: Sequence[Finding] = ()
) -> Judgement:
    """Judge lines that have been read already."""
    evidence = Evidence(tuple(shots), expectation, tuple(findings_so_far))
    for step in STEPS:
        evidence = step(evidence)
    return judgement(evidence)


STEPS: tuple[Callable[[Evidence], Evidence], ...] = (
    set_aside,
    follow_the_traffic,
    pair_echoes,
    pool_lines,
    measure,
    find,
    decide,
)
