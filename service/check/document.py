"""The document of a station check (schema 1): what the station may be used for, why, and what to do first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from service.check.items import NOTE, CheckItem
from service.pipeline.decisions import FAIL, PASS
from service.pipeline.findings import DEVICE, INFO, Finding, make_finding
from service.run_record import timestamp

SCHEMA = 1
READY, PRACTICE_ONLY, NOT_USABLE, NOT_SEEN = "ready", "practice-only", "not-usable", "not-seen"
OUTCOMES = (READY, PRACTICE_ONLY, NOT_USABLE, NOT_SEEN)
"""From best to worst; `check --all` gives the worst."""
EXIT_CODES = {READY: 0, PRACTICE_ONLY: 3, NOT_USABLE: 1, NOT_SEEN: 4}
VERDICTS = {READY: "pass", PRACTICE_ONLY: "inconclusive", NOT_USABLE: "fail", NOT_SEEN: "inconclusive"}
"""How a check stands in a list of runs."""
VALID_FOR_S = 24 * 3600.0
"""How long a status lasts if nothing breaks it (needs of this house, B5)."""
BOARD = "board"
"""Subject of items that are the board's alone."""
NOTHING_TO_DO = "Nothing to do."
WORDS = {
    READY: "ready: good for tests that count",
    PRACTICE_ONLY: "practice only: usable, but not for tests that count",
    NOT_USABLE: "not usable",
    NOT_SEEN: "not seen: nobody could look at it",
}


def check_document(
    station: str,
    items: Sequence[CheckItem],
    findings: Sequence[Finding],
    *,
    checked_at: datetime,
    steps: Sequence[str] = (),
    not_seen: bool = False,
    valid_for_s: float = VALID_FOR_S,
    **more: Any,
) -> dict[str, Any]:
    """The document as JSON types.

    Args:
        findings: the most telling first; the first one's remedy is the first step without `steps`.
        steps: what to do, the cheapest for a person first.
        not_seen: scope or link did not answer, so nothing can be said of the station.
        valid_for_s: how long a status lasts; only `ready` and `practice-only` have something to last.
        more: further members, JSON only.
    """
    outcome = outcome_of(items, findings, not_seen=not_seen)
    todo = list(steps) or ([] if outcome == READY else _remedies(findings))
    return {
        "schema": SCHEMA,
        "station": station,
        "outcome": outcome,
        "verdict": VERDICTS[outcome],
        "items": [_item(item) for item in items],
        "findings": [_finding(finding) for finding in findings],
        "first_step": todo[0] if todo else NOTHING_TO_DO,
        "next_steps": todo[1:],
        "checked_at": timestamp(checked_at),
        "valid_until": timestamp(checked_at + timedelta(seconds=valid_for_s)),
        **more,
    }


def unchecked(station: str, because: str, at: datetime) -> dict[str, Any]:
    """The document of a station that could not even be looked at: somebody has it, its file is wrong, ..."""
    finding = make_finding("not-checked", None, because if because.endswith(".") else f"{because}.")
    return check_document(station, [], [finding], checked_at=at, not_seen=True, whole=False, only=[])


def outcome_of(
    items: Iterable[CheckItem], findings: Iterable[Finding] = (), *, not_seen: bool = False
) -> str:
    """What a station may be used for.

    A failed item spoils as its row in ITEMS says; one that could not be decided makes practice only. A
    finding of severity `fail` makes it not usable, a warning practice only. What is the board's alone leaves
    practice: another board or another firmware can be put there at any time.
    """
    if not_seen:
        return NOT_SEEN
    found = [READY, *(_of_item(item) for item in items), *(_of_finding(f) for f in findings)]
    return max(found, key=OUTCOMES.index)


def worst(outcomes: Iterable[str]) -> str:
    """ready < practice-only < not-usable < not-seen; ready for none."""
    return max(outcomes, key=OUTCOMES.index, default=READY)


def _of_item(item: CheckItem) -> str:
    spoils = item.kind.spoils
    if item.verdict == PASS or spoils == NOTE:
        return READY
    return spoils if item.verdict == FAIL and item.subject != BOARD else PRACTICE_ONLY


def _of_finding(finding: Finding) -> str:
    if finding.side == DEVICE and finding.severity != INFO:
        return PRACTICE_ONLY
    return {"fail": NOT_USABLE, "warning": PRACTICE_ONLY}.get(finding.severity, READY)


def _remedies(findings: Sequence[Finding]) -> list[str]:
    """Each once, in their order."""
    return list(dict.fromkeys(f.remedy for f in findings if f.severity != "info"))


def _item(item: CheckItem) -> dict[str, Any]:
    plain: Mapping[str, Any] = {
        "name": item.name,
        "value": item.value,
        "u": item.u,
        "unit": item.unit,
        "limit": dict(item.limit),
        "verdict": item.verdict,
        "because": item.because,
        "subject": item.subject,
        "evidence": dict(item.evidence),
    }
    return dict(plain)


def _finding(finding: Finding) -> dict[str, Any]:
    names = ("code", "side", "severity", "line", "message", "remedy")
    return {name: getattr(finding, name) for name in names} | {"evidence": dict(finding.evidence)}
