"""The morning summary: one document for the whole room, worst first, with the first thing to do at each.

`morning_document` is a function of facts; `Mornings` in mornings.py gathers and keeps them. A station whose
check has not come to its end by the set hour is `not-seen`: the summary waits for nobody.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.check.document import NOT_SEEN, NOT_USABLE, OUTCOMES, READY
from service.room.courses import Course
from service.room.plain import number_words
from service.room.standing import Standing
from service.run_record import Run, timestamp

SCHEMA = 1
LOOK = "Look whether the scope is switched on and its cable plugged in; then check the station again."
SOON_DAYS = 28
"""Numbers that may meet their limit so soon are told: two weeks of warning, and two to find spares."""
LATELY_DAYS = 14
"""How long a sudden change stays news; it takes three mornings to be sure of it."""
WORTH_TELLING = 0.25
"""Of the room that was left to the limit: a smaller step is no reason for anybody to act."""
STATE_WORDS = {
    "ready": "ready",
    "practice-only": "practice only",
    "not-usable": "not usable",
    "not-seen": "not seen",
}


@dataclass(frozen=True)
class StationFacts:
    """What is known of one station at the set hour."""

    standing: Standing
    pending: Run | None
    """A check that was asked for and has not come to its end."""
    claimed_by: str | None
    courses: Sequence[Course]


@dataclass(frozen=True)
class Occasion:
    """Which morning it is."""

    due: datetime
    made: datetime
    zone: str


def morning_document(
    occasion: Occasion, stations: Sequence[StationFacts], standing_out: Sequence[str] = ()
) -> dict[str, Any]:
    """The summary as JSON types. `standing_out`: sentences about things that are off all over the room."""
    local = occasion.due.astimezone(ZoneInfo(occasion.zone))
    rows = sorted((_row(s, occasion) for s in stations), key=_rank)
    closed = [row["station"] for row in rows if row["outcome"] in (NOT_SEEN, NOT_USABLE)]
    counts = {outcome: sum(row["outcome"] == outcome for row in rows) for outcome in OUTCOMES}
    return {
        "schema": SCHEMA,
        "date": local.date().isoformat(),
        "zone": occasion.zone,
        "due_at": timestamp(occasion.due),
        "due_local": f"{local:%H:%M}",
        "made_at": timestamp(occasion.made),
        "headline": _headline(counts, len(rows)),
        "counts": counts,
        "closed": closed,
        "stations": rows,
        "soon": _soon(stations, occasion.due),
        "changed": _changed(stations, occasion.due),
        "standing_out": list(standing_out),
    }


def _row(facts: StationFacts, occasion: Occasion) -> dict[str, Any]:
    standing = facts.standing
    outcome, because, step = standing.outcome, standing.because, standing.first_step
    if facts.pending is not None:
        outcome, because, step = NOT_SEEN, _unfinished(facts, occasion.zone), _step_of(facts)
    check = standing.check
    return {
        "station": standing.station,
        "outcome": outcome,
        "state": STATE_WORDS[outcome],
        "finished": facts.pending is None,
        "first_step": step,
        "next_steps": list(standing.steps) if facts.pending is None else [],
        "because": because,
        "claimed_by": facts.claimed_by,
        "checked_at": check.checked_at if check else None,
        "checked_local": _local(check.checked_at, occasion) if check else None,
        "valid_until": standing.valid_until if facts.pending is None else None,
        "run": facts.pending.id if facts.pending is not None else check.run if check else None,
    }


def _unfinished(facts: StationFacts, zone: str) -> str:
    """What became of its check so far."""
    run = facts.pending
    assert run is not None
    if run.state == "waiting":
        return "its check waits for a person"
    since = _clock(run.started_at or run.created_at, zone)
    if run.state == "running":
        return f"its check has not finished: it is at work since {since}"
    if facts.claimed_by is not None:
        return f"its check has not begun: {facts.claimed_by} is at the bench"
    return f"its check has not begun: it was asked for at {since}"


def _step_of(facts: StationFacts) -> str:
    if facts.claimed_by is not None:
        return f"Ask {facts.claimed_by} to give the bench back; its check begins by itself then."
    return LOOK


def _rank(row: Mapping[str, Any]) -> tuple[int, list[tuple[bool, int, str]]]:
    """Worst first, then by name as persons sort: north-2 before north-10."""
    return -OUTCOMES.index(row["outcome"]), in_order_of_persons(row["station"])


def in_order_of_persons(name: str) -> list[tuple[bool, int, str]]:
    """A key for sorting: numbers within a name count as numbers."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name)
    return [(not part.isdecimal(), int(part) if part.isdecimal() else 0, part) for part in parts]


def _headline(counts: Mapping[str, int], all_of_them: int) -> str:
    ready = counts[READY]
    if all_of_them == 0:
        return "There are no stations."
    if ready == all_of_them:
        return f"All {ready} stations are ready." if ready > 1 else "The station is ready."
    others = [f"{counts[o]} {STATE_WORDS[o]}" for o in reversed(OUTCOMES) if o != READY and counts[o]]
    return f"{ready} of {all_of_them} stations are ready; {', '.join(others)}."


def _soon(stations: Sequence[StationFacts], due: datetime) -> list[str]:
    """Drifts that may meet their limit within SOON_DAYS, the nearest first."""
    today = timestamp(due)[:10]
    found = []
    for facts in stations:
        for course in facts.courses:
            until = course.good_until
            if until is not None and _days(today, until.earliest) <= SOON_DAYS:
                found.append(
                    (until.about, f"{facts.standing.station}, {number_words(course.name)}: {course.words}")
                )
    return [words for _, words in sorted(found)]


def _changed(stations: Sequence[StationFacts], due: datetime) -> list[str]:
    """Numbers that jumped lately, far enough to matter, before any limit was crossed; the newest first."""
    today = timestamp(due)[:10]
    found = []
    for facts in stations:
        for course in facts.courses:
            at = course.jumped_at
            if at is not None and _days(at[:10], today) <= LATELY_DAYS and used_up(course) >= WORTH_TELLING:
                what = f"{facts.standing.station}, {number_words(course.name)}"
                found.append((at, f"{what}: {course.words}"))
    return [words for _, words in sorted(found, reverse=True)]


def used_up(course: Course) -> float:
    """How much of the room to the limit its last jump took, from 0; 0 without a limit on that side."""
    step, last = course.jumped_by or 0.0, course.points[-1]
    limit = last.greatest if step > 0 else last.least
    before = last.value - step
    if limit is None or step == 0:
        return 0.0
    room = (limit - before) * (1 if step > 0 else -1)
    return abs(step) / room if room > 0 else 1.0


def _days(first: str, second: str) -> int:
    return (datetime.fromisoformat(second) - datetime.fromisoformat(first)).days


def _local(moment: str, occasion: Occasion) -> str:
    """The hour, and the day where it is another one."""
    at = datetime.fromisoformat(moment).astimezone(ZoneInfo(occasion.zone))
    same = at.date() == occasion.due.astimezone(ZoneInfo(occasion.zone)).date()
    return f"{at:%H:%M}" if same else f"{at:%Y-%m-%d %H:%M}"


def _clock(moment: str, zone: str) -> str:
    return f"{datetime.fromisoformat(moment).astimezone(ZoneInfo(zone)):%H:%M}"
