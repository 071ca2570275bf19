"""From findings to causes: what is probably wrong, named once, and what to do first and next.

Each rule of RULES looks at the findings that no earlier rule has explained and may put some of them down to
one cause. Its steps are ordered by what they cost a person: set < turn < swap < send for repair. A finding
that no rule explains is a cause of its own, with its own remedy.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.check.items import CheckItem
from service.pipeline.findings import INFO, SEVERITIES, Finding

SET, TURN, SWAP, REPAIR = "set", "turn", "swap", "repair"
COSTS = (SET, TURN, SWAP, REPAIR)
"""What a step costs a person: a setting; a hand at the bench; another part; sending something away."""
DEAF_PERCENT = 4.6
"""A receiver whose rate is off by more hears something else: 9.5 bits after a start that it saw up to a
sixteenth of a bit late it must still be in the last bit, (0.5 - 1/16) / 9.5."""


@dataclass(frozen=True)
class Step:
    """One thing to do."""

    cost: str
    words: str


@dataclass(frozen=True)
class Cause:
    """One likely cause, the findings that it explains, and what to do."""

    name: str
    words: str
    subject: str
    explains: tuple[tuple[str, str | None], ...]
    """Findings by code and line."""
    steps: tuple[Step, ...]

    def as_document(self) -> dict[str, Any]:
        """JSON; the first step is the cheapest."""
        ordered = in_order(self.steps)
        return {
            "cause": self.name,
            "words": self.words,
            "subject": self.subject,
            "explains": [{"code": code, "line": line} for code, line in self.explains],
            "first": ordered[0].words,
            "next": [step.words for step in ordered[1:]],
            "costs": [step.cost for step in ordered],
        }


@dataclass(frozen=True)
class Case:
    """What is to be explained."""

    findings: tuple[Finding, ...]
    """Not yet explained, infos left out."""
    items: Mapping[str, CheckItem] = field(default_factory=dict)
    """By name."""

    def having(self, *codes: str, line: str | None = None) -> tuple[Finding, ...]:
        """Those with one of the codes, on that line when one is named."""
        return tuple(f for f in self.findings if f.code in codes and line in (None, f.line))

    def failed(self, name: str) -> bool:
        """Whether that item is beyond its limit."""
        return name in self.items and self.items[name].verdict == "fail"

    def value(self, name: str) -> float | None:
        """The number of an item, None where it has none."""
        return self.items[name].value if name in self.items else None

    def without(self, keys: Iterable[tuple[str, str | None]]) -> Case:
        """The same with those findings explained."""
        gone = set(keys)
        return Case(tuple(f for f in self.findings if (f.code, f.line) not in gone), self.items)


Rule = Callable[[Case], Cause | None]


def diagnose(
    findings: Sequence[Finding], items: Sequence[CheckItem], rules: Sequence[Rule]
) -> tuple[Cause, ...]:
    """All causes, in the order of the rules; what is left over in order of gravity."""
    case = Case(tuple(f for f in findings if f.severity != INFO), {item.name: item for item in items})
    causes: list[Cause] = []
    for rule in rules:
        while (cause := rule(case)) is not None:
            causes.append(cause)
            case = case.without(cause.explains)
    rest = sorted(case.findings, key=lambda f: -SEVERITIES.index(f.severity))
    return (*causes, *(_by_itself(finding) for finding in rest))


def explained(causes: Iterable[Cause], *findings: Finding) -> list[Finding]:
    """The findings in the order of their causes: the most telling first; infos last."""
    rank = {key: n for n, cause in enumerate(causes) for key in reversed(cause.explains)}
    within = {key: n for cause in causes for n, key in enumerate(cause.explains)}
    last = len(rank)
    return sorted(findings, key=lambda f: (rank.get((f.code, f.line), last), within.get((f.code, f.line), 0)))


def steps_of(causes: Iterable[Cause]) -> list[str]:
    """Cause by cause, in each the cheapest first; nothing twice."""
    return list(dict.fromkeys(step.words for cause in causes for step in in_order(cause.steps)))


def in_order(steps: Iterable[Step]) -> list[Step]:
    """By cost; in one cost as the rule has them."""
    return sorted(steps, key=lambda step: COSTS.index(step.cost))


def keys(*findings: Finding) -> tuple[tuple[str, str | None], ...]:
    """What a cause explains."""
    return tuple((f.code, f.line) for f in findings)


def _by_itself(finding: Finding) -> Cause:
    subject = f"line/{finding.line}" if finding.line else "bench"
    return Cause(finding.code, finding.message, subject, keys(finding), (Step(TURN, finding.remedy),))
