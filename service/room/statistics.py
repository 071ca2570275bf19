"""The lab's own statistics, one page each term: failures, repairs, runs that judged nothing, waiting.

Published figures of this kind are rare, so a lab must count for itself (needs of this house, G5). Every rate
and share comes with the interval that so few cases allow (service/pipeline/few.py): a number without one
would be believed. What nobody recorded is left out, and said so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from service.check.document import NOT_SEEN, NOT_USABLE, OUTCOMES, PRACTICE_ONLY, READY
from service.pipeline.few import Interval, median_interval, quantile, rate_interval, share_interval
from service.room.breaks import (
    STATION,
    Life,
    Seen,
    Window,
    failures_in,
    hours_in_service,
    repairs_in,
    still_broken,
)
from service.room.items import ITEM_KINDS
from service.room.tally import CANCELLED, DOUBTFUL, FAIL, PASS, TESTS, VOID, Tally
from service.run_record import PRIORITIES, timestamp

SCHEMA = 1
PER_HOURS = 1000.0
ENOUGH = 10
"""Failures from which on the middle of a rate is worth a number of its own; common practice, no source."""
SAID_ONE_BY_ONE = 5
"""So few durations are listed: they have no middle that could be proved."""
FEWEST_HOURS = 24.0
"""From less than a day together a rate per 1,000 h would be a number of millions that nobody should read."""
FEWEST_FOR_P90 = 20
AT_ONCE_S = 0.5
"""Nobody calls that waiting."""


def statistics_document(
    window: Window, lives: Sequence[Life], runs: Sequence[Tally], checks: Sequence[Seen] = ()
) -> dict[str, Any]:
    """The page as JSON types; hours are hours on a station and not broken, seconds and shares in SI.

    `checks`: whole checks of stations; those of the window count.
    """
    by_kind: dict[str, list[Life]] = defaultdict(list)
    for life in lives:
        by_kind[life.kind].append(life)
    kinds = [kind for kind in (STATION, *ITEM_KINDS) if by_kind[kind]]
    tests = [run for run in runs if run.kind in TESTS]
    return {
        "schema": SCHEMA,
        "since": timestamp(window.since),
        "until": timestamp(window.until),
        "failures": [_failures(kind, by_kind[kind], window) for kind in kinds],
        "repairs": [_repairs(kind, by_kind[kind], window) for kind in kinds],
        "checks": _checks([check.outcome for check in checks if window.holds(check.at)]),
        "tests": [_tests(kind, [run for run in tests if run.kind == kind]) for kind in TESTS],
        "waits": [_waits(name, [run for run in runs if run.priority == name]) for name in PRIORITIES],
        "left_out": [dict(one) for one in LEFT_OUT],
    }


def _failures(kind: str, lives: Sequence[Life], window: Window) -> dict[str, Any]:
    hours = sum(hours_in_service(life, window) for life in lives)
    count = sum(failures_in(life, window) for life in lives)
    rate = rate_interval(count, hours / PER_HOURS) if hours >= FEWEST_HOURS else None
    return {
        "kind": kind,
        "things": len(lives),
        "hours": round(hours, 1),
        "failures": count,
        "per_1000_h": _interval(rate),
        "words": _rate_words(count, hours, rate),
    }


def _rate_words(count: int, hours: float, rate: Interval | None) -> str:
    if hours <= 0:
        return "no hours in service" + (f", {count} failed all the same" if count else "")
    if rate is None or rate.high is None:
        return f"{count or 'none'} in {short(hours)} h: too short a time to tell a rate"
    counted = f"{count or 'none'} in {_count(hours)} h"
    if count == 0:
        return f"{counted}: at most {short(rate.high)} per 1,000 h"
    ends = f"{short(rate.low)} to {short(rate.high)}"
    middle = f"{short(rate.value)}, surely " if count >= ENOUGH else ""
    return f"{counted}: {middle}{ends} per 1,000 h"


def _repairs(kind: str, lives: Sequence[Life], window: Window) -> dict[str, Any]:
    took = [hours for life in lives for hours in repairs_in(life, window)]
    waiting = [hours for life in lives for hours in still_broken(life, window)]
    return {
        "kind": kind,
        "mended": len(took),
        "hours": _spread(took),
        "open": len(waiting),
        "open_longest_h": round(max(waiting), 1) if waiting else None,
        "words": _repair_words(took, waiting),
    }


def _repair_words(took: Sequence[float], waiting: Sequence[float]) -> str:
    told = _durations(took, lambda hours: duration(hours * 3600)) if took else "none mended"
    if not waiting:
        return told
    return f"{told}; {len(waiting)} not mended yet, the longest for {duration(max(waiting) * 3600)}"


def _checks(outcomes: Sequence[str]) -> list[dict[str, Any]]:
    """What whole checks left stations fit for, each outcome as a share of all."""
    found = []
    for name in OUTCOMES:
        count = outcomes.count(name)
        share = share_interval(count, len(outcomes))
        words = _share_words(count, len(outcomes), share, CHECKED[name])
        found.append(
            {"outcome": name, "checks": count, "of": len(outcomes), "share": _interval(share), "words": words}
        )
    return found


def _tests(kind: str, runs: Sequence[Tally]) -> dict[str, Any]:
    counts = {name: sum(run.outcome == name for run in runs) for name in (*JUDGED, CANCELLED)}
    ended = sum(counts[name] for name in JUDGED)
    share = share_interval(counts[VOID], ended)
    return {"kind": kind, **counts, "ended": ended, "void_share": _interval(share),
            "words": _share_words(counts[VOID], ended, share, "could not be judged")}  # fmt: skip


def _share_words(part: int, whole: int, share: Interval | None, what: str) -> str:
    if share is None or share.high is None:
        return "none came to an end"
    told = f"{part or 'none'} of {_count(whole)} {what}"
    if part == 0:
        return f"{told}: at most {short(100 * share.high)} %"
    ends = f"{short(100 * share.low)} to {short(100 * share.high)} %"
    return f"{told}: {short(100 * share.value)} %, surely {ends}" if part >= ENOUGH else f"{told}: {ends}"


def _waits(priority: str, runs: Sequence[Tally]) -> dict[str, Any]:
    waits = [run.waited_s for run in runs if run.waited_s is not None]
    return {"priority": priority, "who": WHO_WAITS[priority], "runs": len(waits), "seconds": _spread(waits),
            "words": _wait_words(waits)}  # fmt: skip


def _wait_words(waits: Sequence[float]) -> str:
    if not waits:
        return "nobody waited"
    return _durations(waits, duration) if max(waits) >= AT_ONCE_S else f"{_count(len(waits))}, all at once"


def _durations(values: Sequence[float], shown: Callable[[float], str]) -> str:
    """Few are listed; of more the middle with its interval, and the end that hurts."""
    if len(values) <= SAID_ONE_BY_ONE:
        return f"{len(values)} after " + ", ".join(shown(value) for value in sorted(values))
    middle = median_interval(values)
    assert middle is not None
    assert middle.high is not None
    half = f"half within {shown(middle.value)} ({shown(middle.low)} to {shown(middle.high)})"
    told = f"{_count(len(values))}: {half}"
    if len(values) >= FEWEST_FOR_P90:
        told += f", nine of ten within {shown(quantile(values, 0.9))}"
    return f"{told}, the longest {shown(max(values))}"


def _spread(values: Sequence[float]) -> dict[str, Any] | None:
    if not values:
        return None
    middle = median_interval(values)
    return {
        "median": quantile(values, 0.5),
        "median_low": middle.low if middle else None,
        "median_high": middle.high if middle else None,
        "p90": quantile(values, 0.9) if len(values) >= FEWEST_FOR_P90 else None,
        "longest": max(values),
    }


def _interval(found: Interval | None) -> dict[str, float | None] | None:
    return None if found is None else {"value": found.value, "low": found.low, "high": found.high}


def duration(seconds: float) -> str:
    """`0.4 s`, `12 min`, `5.2 h`, `3.4 days`: two digits, in the unit that a person would use."""
    for unit, size, below in (("s", 1.0, 90.0), ("min", 60.0, 90.0 * 60), ("h", 3600.0, 48 * 3600.0)):
        if seconds < below:
            return f"{short(seconds / size)} {unit}"
    return f"{short(seconds / 86_400)} days"


def short(number: float) -> str:
    """Two significant digits, never an exponent; whole numbers from 100 on."""
    if number == 0:
        return "0"
    if abs(number) >= 99.5:
        return _count(number)
    text = f"{number:.2g}"
    return text if "e" not in text else f"{number:.10f}".rstrip("0")


def _count(number: float) -> str:
    return f"{number:,.0f}"


CHECKED: Mapping[str, str] = {
    READY: "left the station ready",
    PRACTICE_ONLY: "left it for practice only",
    NOT_USABLE: "found it not usable",
    NOT_SEEN: "could not see it",
}
JUDGED = (PASS, FAIL, DOUBTFUL, VOID)
WHO_WAITS: Mapping[str, str] = {
    "class-now": "a person in the room",
    "grading": "work that is handed in",
    "check": "a station check",
}
LEFT_OUT = (
    {
        "name": "dispute_share",
        "because": "Share of disputed results: it needs grades and who asked about them, "
        "and nothing is graded here.",
    },
    {
        "name": "hours_switched_on",
        "because": "Hours switched on: nobody records them, so hours are those in a place on a station "
        "and not broken, nights and holidays included.",
    },
)
