"""Criteria: what is judged, by which measurement, and which bench fault takes it out of the judging.

The rule of fairness: a bench fault never fails the device. Two ways in which a bench finding touches a
criterion stand in one table, VOIDS: it VOIDS what cannot be measured in its presence (neither pass nor fail),
and it EXCUSES a failure that the bench itself may have caused (a pass in spite of it stays a pass).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from service.pipeline import polarity
from service.pipeline.decisions import BENCH, FAIL, GUARD_BAND, INCONCLUSIVE, PASS, RECORD, worst
from service.pipeline.echoes import CHANGED, EXTRA, MISSING, MOVED, OK, count
from service.pipeline.evidence import FROM_TARGET, TO_TARGET, Evidence
from service.pipeline.expectation import CRITERIA
from service.pipeline.findings import BENCH as BENCH_SIDE
from service.pipeline.findings import DEVICE as DEVICE_SIDE
from service.pipeline.findings import SEVERITIES, Finding, code_row
from service.pipeline.measurements import Measurement
from service.pipeline.numbers import quantity, with_uncertainty
from service.pipeline.phrases import many
from service.pipeline.readings import BREAK, CUT, FRAMING, PARITY


@dataclass(frozen=True)
class Criterion:
    """One thing that was judged. `cause` says why it is inconclusive, None otherwise."""

    name: str
    verdict: str
    cause: str | None
    required: bool
    because: str


@dataclass(frozen=True, eq=False)
class Void:
    """Which criteria a bench finding spoils, from which severity on, and on which line (None = either)."""

    code: str
    voids: tuple[str, ...] = ()
    excuses: tuple[str, ...] = ()
    severity: str = "info"
    line: str | None = None
    only: Mapping[str, Callable[[Evidence], bool]] = field(default_factory=dict)
    """Criteria that it touches under a condition only."""

    def applies(self, finding: Finding) -> bool:
        """True where this row speaks of that finding."""
        return (
            finding.side == BENCH_SIDE
            and finding.code == self.code
            and SEVERITIES.index(finding.severity) >= SEVERITIES.index(self.severity)
            and (self.line is None or finding.line is None or finding.line == self.line)
        )


@dataclass(frozen=True, eq=False)
class Outcome:
    """What a criterion comes to before bench findings are looked at."""

    verdict: str
    because: str
    cause: str | None = None


def decide(evidence: Evidence) -> Evidence:
    """Fill in `criteria`, all of them, in their order; drop device findings about what is not judged."""
    required = evidence.expectation.limits.required
    criteria = tuple(
        _with_bench(name, JUDGES[name](evidence), evidence, name in required) for name in CRITERIA
    )
    void = {c.name for c in criteria if c.cause == BENCH}
    findings = tuple(f for f in evidence.findings if not _blames_in_vain(f, void))
    return evidence.with_(criteria=criteria, findings=findings)


def _blames_in_vain(finding: Finding, void: set[str]) -> bool:
    """True for a device finding about something that is not judged: the bench may have made it."""
    return finding.side == DEVICE_SIDE and code_row(finding.code).criterion in void


def _with_bench(name: str, outcome: Outcome, evidence: Evidence, required: bool) -> Criterion:
    for finding in evidence.findings:
        for row in VOIDS:
            touched = name in row.voids or (name in row.excuses and outcome.verdict != PASS)
            sure = name not in row.only or row.only[name](evidence)
            if touched and row.applies(finding) and sure:
                because = f"not judged: {finding.message}"
                return Criterion(name, INCONCLUSIVE, BENCH, required, because)
    return Criterion(name, outcome.verdict, outcome.cause, required, outcome.because)


def judge_content(evidence: Evidence) -> Outcome:
    """Every character echoed as it was sent, none added."""
    wrong = count(evidence.echoes, MISSING, EXTRA, CHANGED)
    right = count(evidence.echoes, OK, MOVED)
    if wrong:
        words = ", ".join(
            f"{n} {status}" for status in (MISSING, CHANGED, EXTRA) if (n := count(evidence.echoes, status))
        )
        return Outcome(FAIL, f"of {many(right + wrong, 'character')}: {words}")
    unjudged = sum(not e.judged and not e.earlier for e in evidence.echoes)
    if unjudged or not right:
        why = f"the record does not show what came of {many(unjudged, 'character')}" if unjudged else _NOTHING
        return Outcome(INCONCLUSIVE, why, RECORD)
    return Outcome(PASS, f"{many(right, 'character')} echoed as sent")


def judge_order(evidence: Evidence) -> Outcome:
    """Echoes in the order of the characters."""
    moved = count(evidence.echoes, MOVED)
    if moved:
        return Outcome(FAIL, f"{many(moved, 'character')} came back at another place")
    answered = count(evidence.echoes, OK, CHANGED)
    if not answered:
        return Outcome(INCONCLUSIVE, "no echo was seen whose place could be judged", RECORD)
    return Outcome(PASS, f"{many(answered, 'echo', 'echoes')} in the order of the characters")


def judge_framing(evidence: Evidence) -> Outcome:
    """Start, parity and stop of every whole character on the from-target line."""
    if polarity.inverted(evidence, FROM_TARGET):
        return Outcome(FAIL, "the line rests at the level that starts a character")
    errors = [int(e) for _, r in evidence.readings(FROM_TARGET) for e in r.characters.errors]
    whole = [e for e in errors if not e & CUT]
    bad = sum(bool(e & (FRAMING | PARITY | BREAK)) for e in whole)
    if bad:
        return Outcome(FAIL, f"{bad} of {many(len(whole), 'character')} wrongly framed")
    if not whole:
        return Outcome(INCONCLUSIVE, "no whole character was seen on the from-target line", RECORD)
    return Outcome(PASS, f"{many(len(whole), 'character')} rightly framed")


def _by_measurement(criterion: str, nothing: str) -> Callable[[Evidence], Outcome]:
    """A judge that takes the worst verdict of the from-target line's measurements of that criterion."""

    def judge(evidence: Evidence) -> Outcome:
        found = [
            m for m in evidence.measurements if m.criterion == criterion and m.line in (FROM_TARGET, None)
        ]
        known = [m for m in found if m.verdict is not None]
        if not known:
            return Outcome(INCONCLUSIVE, nothing, RECORD)
        verdict = worst(*(m.verdict for m in known if m.verdict))
        deciding = [m for m in known if m.verdict == verdict]
        because = "; ".join(_numbers(m) for m in deciding)
        if verdict != INCONCLUSIVE:
            return Outcome(verdict, because)
        unmeasured = any(m.value is None for m in deciding)
        return Outcome(verdict, because, RECORD if unmeasured else GUARD_BAND)

    return judge


def _numbers(m: Measurement) -> str:
    name = m.name.split(".")[-1].replace("_", " ")
    words = {"min": "at least", "max": "at most"}
    limits = " and ".join(f"{words.get(k, k)} {quantity(v, m.unit, digits=4)}" for k, v in m.limit.items())
    if m.value is None:
        sure = "small enough by the samples alone" if m.verdict == PASS else "could not be measured"
        return f"{name} {sure} (limit: {limits})"
    return f"{name} {with_uncertainty(m.value, m.u, m.unit)} (limit: {limits})"


def levels_alike(evidence: Evidence) -> bool:
    """True when each level that fails on the from-target line fails on the to-target line in the same way.

    Two outputs of two makers do not go wrong alike: the scope's volts do, or the family was stated wrong.
    """
    found = {m.name: m for m in evidence.measurements}
    for state in ("low", "high"):
        back, to = (found.get(f"{role}.{state}_level") for role in (FROM_TARGET, TO_TARGET))
        if back is None or back.verdict != FAIL or back.value is None:
            continue
        if to is None or to.verdict != FAIL or to.value is None:
            return False
        if abs(back.value - to.value) > ALIKE * _span(evidence):
            return False
    return True


def content_in_doubt(evidence: Evidence) -> bool:
    """True when not every character has its right echo: then an echo may be another character's, its latency
    too.
    """
    return judge_content(evidence).verdict != PASS


def _span(evidence: Evidence) -> float:
    return max(evidence.lines[role].swing_v or 0.0 for role in (FROM_TARGET, TO_TARGET))


_NOTHING = "nothing was sent and nothing came"

JUDGES: dict[str, Callable[[Evidence], Outcome]] = {
    "content": judge_content,
    "order": judge_order,
    "framing": judge_framing,
    "timing": _by_measurement("timing", "no echo was seen whose latency could be measured"),
    "rate": _by_measurement("rate", "no rate to compare with"),
    "levels": _by_measurement("levels", "the logic family is not known"),
    "edges": _by_measurement("edges", "no edges were seen"),
}

_ALL = CRITERIA
_HEARD = ("content", "order")
"""What the firmware may miss when it was not spoken to properly."""
_DECODED = ("content", "order", "framing", "timing")

ALIKE = 0.1
"""Part of the swing within which two levels are off in the same way (common practice, no source)."""

VOIDS: tuple[Void, ...] = (
    #    finding                 what cannot be measured          failures that the bench may have caused
    Void("no-activity", ("content", "order", "timing"), _ALL),
    Void("line-undriven", _ALL),
    Void("lines-bridged", _ALL),
    Void("noisy", _ALL, severity="fail"),
    Void("too-few-samples", ("content", "order", "framing", "timing", "rate", "edges"), severity="fail"),
    Void("rate-ambiguous", ("framing", "timing", "rate"), ("content", "order")),
    Void("trigger-outside-signal", (), _DECODED),
    Void("probe-ratio", ("levels",)),
    Void("zero-shifted", ("levels",)),
    Void("channel-inverted", ("levels", "framing")),
    Void("clipped", ("levels", "edges")),
    Void("crosstalk", (), ("levels", "edges")),
    Void("probe-overcompensated", ("edges",), ("levels",)),
    Void("probe-undercompensated", ("edges",), ("levels",)),
    Void("glitches", (), _DECODED, only={"timing": content_in_doubt}),
    Void("contact-lost", (), _ALL, severity="fail"),
    Void("reference-level-off", ("levels",)),
    Void("reference-rate-off", ("rate",), ("timing",)),
    # the PC's side of the wiring: what was not said properly need not be heard
    Void("line-inverted", (), _HEARD, "warning", line="to_target"),
    Void("framing-error", (), (*_HEARD, "framing"), line="to_target"),
    Void("break", (), (*_HEARD, "framing"), line="to_target"),
    Void("parity-error", (), (*_HEARD, "framing"), line="to_target"),
    Void("rate-off", (), (*_HEARD, "rate"), line="to_target"),
    Void("level-out-of-limits", (), (*_HEARD, "levels"), line="to_target", only={"levels": levels_alike}),
    Void("slow-edge", (), (*_HEARD, "edges"), line="to_target"),
    # the bench as a whole
    Void("instrument-error", (), _ALL),
    Void("link-silent", _ALL),
    Void("identity-changed", _ALL),
    Void("self-test-failed", _ALL),
)
