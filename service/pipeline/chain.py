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
    test = read_shots([s for s in shots if not s.closeup], expectation)
    closeups = read_shots([s for s in shots if s.closeup], expectation)
    return judge_readings(test, expectation, findings_so_far, closeups)


def judge_readings(
    shots: Sequence[ReadShot],
    expectation: Expectation,
    findings_so_far: Sequence[Finding] = (),
    closeups: Sequence[ReadShot] = (),
) -> Judgement:
    """Judge lines that have been read already."""
    evidence = Evidence(tuple(shots), expectation, tuple(findings_so_far), tuple(closeups))
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
