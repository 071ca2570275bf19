"""What a station may be used for now: its last check, as far as nothing has happened to it since.

A status ages and is broken by events (needs of this house, B5; ISO/IEC 17025:2017 6.4.12, from memory): a
station that did not answer, was switched off and on, had its settings changed, a probe moved, a run that
failed because of the bench. `standing_of` is a function of facts; `standings.py` gathers them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from service.check.document import (
    NOT_SEEN,
    NOT_USABLE,
    NOTHING_TO_DO,
    OUTCOMES,
    PRACTICE_ONLY,
    READY,
    VALID_FOR_S,
)
from service.room.items import IN_REPAIR, OUT, Item
from service.room.items import PRACTICE_ONLY as ITEM_PRACTICE_ONLY
from service.run_record import moment_of, timestamp

CHECK_AGAIN = "Check the station again; nobody needs to be there."


@dataclass(frozen=True)
class LastCheck:
    """The newest whole check of a station that came to an end. Times are RFC 3339 in UTC."""

    run: str
    began_at: str
    checked_at: str
    valid_until: str
    outcome: str
    first_step: str
    why: str = ""
    """The likely cause in the check's own words."""
    next_steps: tuple[str, ...] = ()
    """What to do when the first step was not it."""


@dataclass(frozen=True)
class Event:
    """Something that happened to a station."""

    at: str
    what: str
    """not-reachable, power-cycled, settings-changed, item-moved, run-failed, identity-changed."""
    words: str
    leaves: str
    """The best that the station may be used for after it."""
    step: str = CHECK_AGAIN


@dataclass(frozen=True)
class Facts:
    """All that a standing follows from."""

    station: str
    check: LastCheck | None
    events: Sequence[Event]
    """Since that check began, oldest first; without a check all that are known."""
    items: Sequence[Item]
    """What is there now."""


@dataclass(frozen=True)
class Standing:
    """What a station may be used for at one moment."""

    station: str
    outcome: str
    """ready, practice-only, not-usable, not-seen."""
    because: str
    first_step: str
    steps: tuple[str, ...]
    """What else is to be done, after the first."""
    check: LastCheck | None
    broken_by: tuple[Event, ...]
    valid_until: str | None
    """When it ends by itself; None where there is nothing to end."""

    @property
    def grading(self) -> bool:
        """Whether a run that counts may be done there."""
        return self.outcome == READY


@dataclass(frozen=True)
class _Cause:
    outcome: str
    words: str
    step: str
    then: tuple[str, ...] = ()


def standing_of(facts: Facts, now: datetime) -> Standing:
    """The worst of the check, its age, what happened since, and what is there."""
    causes = [*_of_items(facts.items), *_of_check(facts.check, now), *_of_events(facts.events)]
    causes.sort(key=lambda cause: -OUTCOMES.index(cause.outcome))  # stable: things before check before events
    outcome = causes[0].outcome if causes else READY
    told = [cause for cause in causes if cause.outcome != READY]
    steps = list(dict.fromkeys(step for c in told for step in (c.step, *c.then))) or [NOTHING_TO_DO]
    ends = _end_of(facts.check)
    return Standing(
        station=facts.station,
        outcome=outcome,
        because=told[0].words if told else "its last check passed and nothing happened since",
        first_step=steps[0],
        steps=tuple(steps[1:]),
        check=facts.check,
        broken_by=tuple(facts.events) if facts.check else (),
        valid_until=timestamp(ends) if ends is not None and outcome == READY else None,
    )


def _end_of(check: LastCheck | None) -> datetime | None:
    """What the check says, but never more than a day (B5)."""
    if check is None:
        return None
    latest = moment_of(check.checked_at, "checked_at") + timedelta(seconds=VALID_FOR_S)
    return min(moment_of(check.valid_until, "valid_until"), latest)


def _of_check(check: LastCheck | None, now: datetime) -> list[_Cause]:
    if check is None:
        return [_Cause(PRACTICE_ONLY, "it was never checked", CHECK_AGAIN.replace(" again", ""))]
    causes = []
    if check.outcome != READY:
        words = check.why or f"its last check found it {check.outcome}"
        causes.append(_Cause(check.outcome, words, check.first_step, check.next_steps))
    ends = _end_of(check)
    if ends is not None and now > ends:
        words = f"its last check is of {check.checked_at} and counts until {timestamp(ends)}"
        causes.append(_Cause(PRACTICE_ONLY, words, CHECK_AGAIN))
    return causes


def _of_events(events: Sequence[Event]) -> list[_Cause]:
    """The newest of a kind stands for all of it."""
    newest = {event.what: event for event in events}
    return [_Cause(e.leaves, f"{e.words} ({e.at})", e.step) for e in newest.values()]


def _of_items(items: Sequence[Item]) -> list[_Cause]:
    causes = []
    for item in items:
        if item.state in (OUT, IN_REPAIR):
            words = f"{item.words} is {'out' if item.state == OUT else 'in repair'} and must not be used"
            causes.append(_Cause(NOT_USABLE, words, f"Take {item.words} away and put a good one there."))
        elif item.state == ITEM_PRACTICE_ONLY:
            step = CHECK_AGAIN if item.awaits_check else f"Decide what becomes of {item.words}."
            causes.append(_Cause(PRACTICE_ONLY, f"{item.words} is for practice only", step))
    return causes


ERRORS: dict[str, tuple[str, str]] = {
    "not-reachable": ("not-reachable", NOT_SEEN),
    "no-answer": ("not-reachable", NOT_SEEN),
    "other-instrument": ("identity-changed", NOT_USABLE),
    "instrument-refused": ("run-failed", PRACTICE_ONLY),
    "bad-reply": ("run-failed", PRACTICE_ONLY),
    "driver-error": ("run-failed", PRACTICE_ONLY),
    "time-is-up": ("run-failed", PRACTICE_ONLY),
}
"""Problem types of runs that say something of the bench: what happened, and what it leaves."""
FINDINGS: dict[str, tuple[str, str]] = {
    "identity-changed": ("identity-changed", NOT_USABLE),
    "power-cycled": ("power-cycled", PRACTICE_ONLY),
    "settings-touched": ("settings-changed", PRACTICE_ONLY),
    "link-silent": ("not-reachable", NOT_SEEN),
}
"""Findings that say more than that a run failed, whatever their severity."""
OF_THE_RECORD = (
    "rate-ambiguous",
    "format-ambiguous",
    "too-few-samples",
    "capture-cut",
    "no-activity",
)
"""Bench findings that speak of what was sent and how it was recorded, not of the bench's health."""


def event_of_error(problem: str, detail: str, at: str) -> Event | None:
    """What a run that ended in an error says of its bench; None when nothing."""
    if problem not in ERRORS:
        return None
    what, leaves = ERRORS[problem]
    return Event(at, what, f"a run ended in an error: {detail}", leaves)


def event_of_finding(code: str, severity: str, message: str, at: str) -> Event | None:
    """What a bench finding of a run says of the bench; None when nothing."""
    if code in FINDINGS:
        what, leaves = FINDINGS[code]
        return Event(at, what, f"a run found: {message}", leaves)
    if severity == "info" or code in OF_THE_RECORD:
        return None
    return Event(at, "run-failed", f"a run found: {message}", PRACTICE_ONLY)


def seen_again(event: Event) -> Event:
    """The event, once a later run got its answers: what was not seen is there, and its status is gone."""
    return replace(event, leaves=PRACTICE_ONLY) if event.leaves == NOT_SEEN else event
