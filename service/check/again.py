"""An outlier is measured again at once before it becomes an alarm; both values are kept.

A number that scatters alarms only when it is beyond its limit twice: a chance of 0.27 % (3 sigma) becomes
0.0007 %. A count that can only be zero on a good bench does not scatter: one that is gone at the second look
was no chance but something that comes and goes, and stays doubtful.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from typing import Any

from service.check.items import CheckItem
from service.check.kinds import NOTE
from service.hooks import RunHooks
from service.pipeline.decisions import INCONCLUSIVE, PASS
from service.pipeline.findings import Finding

STEP_OF = {
    "answer_time": "instrument",
    "identity_changes": "instrument",
    "self_test": "instrument",
    "settings_touched": "instrument",
    "clock_behind": "instrument",
    "zero": "idle",
    "noise": "idle",
}
"""By kind of item; all others are of the traffic."""
COUNTS = ("trigger_misses", "second_shots", "stimulus_errors", "echo_errors", "error_entries", "self_test")
"""Zero on a good bench, always."""
STEPS_OF_CODES = {
    "self-test-failed": "instrument",
    "commissioning-differs": "",
    "identity-changed": "",
    "settings-touched": "",
    "service-clock": "",
    "zero-off": "idle",
    "reference-on-line": "idle",
}
"""What a finding asks to be looked at again; "" where a second look cannot differ."""


def worth_another_look(
    items: Iterable[CheckItem], findings: Iterable[Finding], steps: Sequence[str]
) -> list[str]:
    """The steps that hold something which is not as it should be, in their order."""
    wanted = {step_of(item) for item in items if item.verdict != PASS and item.kind.spoils != NOTE}
    wanted |= {STEPS_OF_CODES.get(f.code, "traffic") for f in findings if f.severity != "info"}
    return [step for step in steps if step in wanted]


def step_of(item: CheckItem) -> str:
    """Which step measures it."""
    return STEP_OF.get(item.kind.name, "traffic")


def merged(
    items: Sequence[CheckItem],
    findings: Sequence[Finding],
    items_again: Sequence[CheckItem],
    findings_again: Sequence[Finding],
    steps: Sequence[str],
) -> tuple[tuple[CheckItem, ...], tuple[Finding, ...]]:
    """What both looks come to: the second value with the first beside it; findings that were made twice."""
    again = {item.name: item for item in items_again}
    both = tuple(_both(item, again.get(item.name)) for item in items)
    new = tuple(item for item in items_again if item.name not in {i.name for i in items})
    twice = {(f.code, f.line) for f in findings_again}
    doubtful = {i.name for i in both if i.verdict == INCONCLUSIVE}
    kept = tuple(
        f
        for f in findings
        if (f.code, f.line) in twice
        or f.severity == "info"
        or _not_looked_at(f, steps)
        or _comes_and_goes(f, doubtful)
    )
    return (*both, *new), kept


def _not_looked_at(finding: Finding, steps: Sequence[str]) -> bool:
    return STEPS_OF_CODES.get(finding.code, "traffic") not in steps


def _comes_and_goes(finding: Finding, doubtful: set[str]) -> bool:
    """The finding of a count that was there at the first look only."""
    return any(finding.code in CODES_OF_COUNTS.get(name, ()) for name in doubtful)


CODES_OF_COUNTS = {
    "trigger_misses": ("trigger-misses",),
    "second_shots": ("trigger-never-stops",),
    "stimulus_errors": ("stimulus-differs",),
    "echo_errors": ("echo-missing", "echo-changed", "echo-extra", "echo-out-of-order"),
    "error_entries": ("instrument-error",),
    "self_test": ("self-test-failed",),
}


def _both(first: CheckItem, second: CheckItem | None) -> CheckItem:
    if second is None or first is second:
        return first
    if first.verdict == PASS and second.verdict == PASS:
        return dataclasses.replace(second, evidence={**second.evidence, "first": _value(first)})
    evidence = {**second.evidence, "first": _value(first)}
    if first.kind.name in COUNTS and first.verdict != PASS and second.verdict == PASS:
        because = f"{first.because}; at a second look at once {second.value:g}: it comes and goes"
        return dataclasses.replace(second, verdict=INCONCLUSIVE, because=because, evidence=evidence)
    because = f"{second.because}; at the first look {_words(first)}"
    verdict = PASS if PASS in (first.verdict, second.verdict) else second.verdict
    return dataclasses.replace(second, verdict=verdict, because=because, evidence=evidence)


def _value(item: CheckItem) -> dict[str, Any]:
    return {"value": item.value, "u": item.u, "verdict": item.verdict}


def _words(item: CheckItem) -> str:
    return "not measured" if item.value is None else f"{item.value:.4g} {item.unit}".strip()


def relabelled(hooks: RunHooks, prefix: str) -> RunHooks:
    """The same hooks for another look: its captures stand under names of their own."""
    return dataclasses.replace(
        hooks,
        keep=lambda capture, label: hooks.keep(capture, prefix + label),
        note=lambda label, facts: hooks.note(prefix + label, facts),
        kept=lambda label: hooks.kept(prefix + label),
    )
