"""The rule of fairness as properties: a bench fault never fails the device, more faults never help it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from service.pipeline.chain import judge_readings
from service.pipeline.criteria import JUDGES, VOIDS, Criterion, Outcome, decide
from service.pipeline.decisions import CAUSES, FAIL, INCONCLUSIVE, PASS
from service.pipeline.evidence import Evidence
from service.pipeline.expectation import CRITERIA, Limits
from service.pipeline.findings import CODES, SEVERITIES, Finding, make_finding
from service.pipeline.readings import FRAMING
from service.pipeline.verdict import Judgement, overall
from tests.service.pipeline.builders import LOOKS, Said, echo_of, shot, train
from tests.service.pipeline.judging import FRAME, KNOWN

ORDER = (PASS, INCONCLUSIVE, FAIL)
BENCH_CODES = [row.code for row in CODES if row.side == "bench" or row.bench_on_to_target]


def bench_finding(code: str, line: str | None, severity: str) -> Finding:
    """A bench finding of that code; those with two sides are put on the to-target line."""
    two_sided = next(row for row in CODES if row.code == code).bench_on_to_target
    return make_finding(code, "to_target" if two_sided else line, severity=severity)


bench_findings = st.builds(
    bench_finding,
    st.sampled_from(BENCH_CODES),
    st.sampled_from([None, "to_target", "from_target"]),
    st.sampled_from(SEVERITIES),
)
faults = st.lists(
    st.tuples(st.sampled_from(["lose", "change", "add", "delay", "frame", "level"]), st.integers(0, 5)),
    max_size=4,
)


def judged(kinds: list[tuple[str, int]], bench: list[Finding]) -> Judgement:
    """A test of six characters with those faults of the firmware and those findings of the bench."""
    sent = train(b"Tide 7", step_s=4 * FRAME)
    echoed: list[Said | None] = list(echo_of(sent))
    extra = []
    back = replace(LOOKS, channel="ch2")
    for kind, at in kinds:
        one = echoed[at]
        if kind == "level":
            back = replace(back, high_v=1.5)
        if one is None:
            continue
        if kind == "lose":
            echoed[at] = None
        elif kind == "change":
            echoed[at] = replace(one, value=one.value | 0x80)
        elif kind == "add":
            extra.append(Said(0xEE, one.start_s + 1.5 * FRAME))
        elif kind == "delay":
            echoed[at] = replace(one, start_s=one.start_s + 0.2 * FRAME)
        elif kind == "frame":
            echoed[at] = replace(one, errors=FRAMING)
    said = sorted([e for e in echoed if e is not None] + extra, key=lambda s: s.start_s)
    strict = replace(KNOWN, limits=Limits(latency_max_s=5e-5))
    return judge_readings([shot(sent, said, back=back)], strict, bench)


@settings(derandomize=True, max_examples=150, deadline=None)
@given(faults, st.lists(bench_findings, max_size=4))
def test_a_bench_finding_never_turns_a_criterion_to_fail(
    kinds: list[tuple[str, int]], bench: list[Finding]
) -> None:
    """With bench findings a criterion stays what it was or becomes inconclusive by the bench."""
    before, after = judged(kinds, []), judged(kinds, bench)
    for a, b in zip(before.criteria, after.criteria, strict=True):
        assert (b.verdict, b.cause) in {(a.verdict, a.cause), (INCONCLUSIVE, "bench")}
    if before.verdict != FAIL:
        assert after.verdict != FAIL
    assert not [f for f in after.findings if f.side == "device"] or any(
        c.verdict == FAIL for c in after.criteria
    )


@settings(derandomize=True, max_examples=100, deadline=None)
@given(
    faults,
    st.tuples(st.sampled_from(["lose", "change", "add"]), st.integers(0, 5)),
    st.lists(bench_findings, max_size=2),
)
def test_more_echo_errors_never_improve_a_verdict(
    kinds: list[tuple[str, int]], one_more: tuple[str, int], bench: list[Finding]
) -> None:
    """One more character lost, changed or added: content and the overall verdict get no better.

    One that had no other fault: losing a late character takes its lateness away with it.
    """
    assume(one_more[1] not in [at for _, at in kinds])
    before, after = judged(kinds, bench), judged([*kinds, one_more], bench)

    def content(j: Judgement) -> int:
        return ORDER.index(j.criteria[0].verdict)

    assert content(after) >= content(before)
    assert ORDER.index(after.verdict) >= ORDER.index(before.verdict)


@settings(derandomize=True)
@given(
    st.lists(st.sampled_from(ORDER), min_size=7, max_size=7), st.lists(st.booleans(), min_size=7, max_size=7)
)
def test_the_overall_verdict_is_the_worst_of_the_required_ones(
    verdicts: list[str], required: list[bool]
) -> None:
    """fail if any required criterion fails; else inconclusive if any is; else pass."""
    criteria = [
        Criterion(name, v, None, r, "") for name, v, r in zip(CRITERIA, verdicts, required, strict=True)
    ]
    asked = [v for v, r in zip(verdicts, required, strict=True) if r]
    expected = FAIL if FAIL in asked else INCONCLUSIVE if INCONCLUSIVE in asked else PASS
    assert overall(criteria) == expected


@settings(derandomize=True, max_examples=50, deadline=None)
@given(faults, st.lists(bench_findings, max_size=3))
def test_every_criterion_is_there_and_only_the_open_ones_have_a_cause(
    kinds: list[tuple[str, int]], bench: list[Finding]
) -> None:
    """All seven, in order; a cause exactly where a criterion is inconclusive; always a reason in words."""
    judgement = judged(kinds, bench)
    assert tuple(c.name for c in judgement.criteria) == CRITERIA
    for c in judgement.criteria:
        assert (c.cause in CAUSES) == (c.verdict == INCONCLUSIVE)
        assert c.required == (c.name != "edges")
        assert c.because
    assert judgement.verdict == overall(judgement.criteria)


def test_what_each_bench_finding_spoils_is_one_table() -> None:
    """Rows speak of codes and criteria that exist; each code once; nothing of the firmware's is in it."""
    known = {row.code: row for row in CODES}
    assert len({row.code for row in VOIDS}) == len(VOIDS)
    for row in VOIDS:
        assert known[row.code].side == "bench" or (
            known[row.code].bench_on_to_target and row.line == "to_target"
        )
        assert set(row.voids) | set(row.excuses) <= set(CRITERIA)
    assert set(JUDGES) == set(CRITERIA)


@pytest.mark.parametrize(
    ("code", "line", "severity", "spoilt", "left"),
    [
        (
            "probe-ratio",
            "from_target",
            "warning",
            {"levels"},
            {"content", "order", "framing", "timing", "rate"},
        ),
        ("crosstalk", "from_target", "warning", set(), set(CRITERIA)),
        ("line-undriven", "from_target", "fail", {"content"}, set()),
        ("stimulus-differs", "to_target", "warning", set(), set(CRITERIA)),
        ("lines-bridged", "from_target", "fail", {"content", "timing"}, set()),
        ("too-few-samples", "from_target", "warning", set(), set(CRITERIA)),
        ("too-few-samples", "from_target", "fail", {"timing", "rate"}, {"levels"}),
        ("noisy", "from_target", "warning", set(), set(CRITERIA)),
        ("noisy", "from_target", "fail", {"content"}, set()),
        ("clipped", "from_target", "warning", {"levels"}, {"content", "timing"}),
        ("probes-exchanged", None, "warning", set(), set(CRITERIA)),
    ],
)
def test_a_bench_finding_spoils_what_it_spoils_and_no_more(
    code: str, line: str | None, severity: str, spoilt: set[str], left: set[str]
) -> None:
    """The published examples: a wrong probe factor voids levels, not content; crosstalk nothing; ..."""
    judgement = judged([], [make_finding(code, line, severity=severity)])
    by_name = {c.name: c for c in judgement.criteria}
    assert all(by_name[n].cause == "bench" for n in spoilt)
    assert all(by_name[n].verdict == PASS for n in left)


def test_only_bench_findings_can_void() -> None:
    """A device finding handed in with the shots takes nothing out of the judging."""
    handed_in = [make_finding("rate-off", "from_target"), make_finding("break", "from_target")]
    assert judged([], handed_in).verdict == PASS


def test_an_excused_failure_is_open_and_an_excused_pass_stays() -> None:
    """A bench finding that may have caused a failure does not doubt a success."""
    evidence = Evidence((), KNOWN, findings=(make_finding("glitches", "to_target"),))
    for before, after in ((FAIL, INCONCLUSIVE), (PASS, PASS)):
        outcome = Outcome(before, "x")

        def judge(_: Evidence, given: Outcome = outcome) -> Outcome:
            return given

        with pytest.MonkeyPatch.context() as patch:
            patch.setitem(JUDGES, "content", judge)
            assert decide(evidence).criteria[0].verdict == after
