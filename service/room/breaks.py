"""When a thing or a station was in service, when it broke, and when it was mended. Functions of facts.

A thing breaks when somebody puts it `out` or `in-repair`; a station when a whole check finds it not usable
after one that did not. A thing is mended when a check has passed with it, or when somebody decides that it is
good for practice; a station with its next check that is `ready`. What a first look finds broken is no failure
in service.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.check.document import NOT_SEEN, NOT_USABLE, READY
from service.room.items import IN_REPAIR, IN_USE, OUT, PRACTICE_ONLY

STATION = "station"


@dataclass(frozen=True)
class Break:
    """`mended` None: not yet."""

    at: datetime
    mended: datetime | None


@dataclass(frozen=True)
class Span:
    """A time on a station; `until` None: to this day."""

    since: datetime
    until: datetime | None


@dataclass(frozen=True)
class Life:
    """What befell one thing or station."""

    id: str
    kind: str
    """scope, probe, bridge, board, pc, supply, station."""
    spans: Sequence[Span]
    """When it was in its place, no two at once."""
    breaks: Sequence[Break]
    """Oldest first, no two at once."""


@dataclass(frozen=True)
class StateChange:
    """A line of a thing's log. `asked`: what a person asked for, None where a check did it."""

    at: datetime
    to: str
    asked: str | None


@dataclass(frozen=True)
class Seen:
    """A whole check of a station."""

    at: datetime
    outcome: str


@dataclass(frozen=True)
class Window:
    """The time that statistics speak of."""

    since: datetime
    until: datetime

    def holds(self, moment: datetime) -> bool:
        return self.since <= moment < self.until


def breaks_of_thing(changes: Iterable[StateChange]) -> list[Break]:
    """From the changes of its state, oldest first."""
    found, broken = [], None
    for change in changes:
        if change.to in (OUT, IN_REPAIR):
            broken = broken or change.at
        elif broken is not None and (change.to == IN_USE or change.asked == PRACTICE_ONLY):
            found.append(Break(broken, change.at))
            broken = None
    return found + ([Break(broken, None)] if broken is not None else [])


def life_of_station(name: str, checks: Sequence[Seen]) -> Life:
    """From its whole checks, oldest first; those that could not see it say nothing."""
    seen = [check for check in checks if check.outcome != NOT_SEEN]
    first = next((check.at for check in seen if check.outcome != NOT_USABLE), None)
    if first is None:
        return Life(name, STATION, (), ())
    found, broken = [], None
    for check in (check for check in seen if check.at >= first):
        if check.outcome == NOT_USABLE:
            broken = broken or check.at
        elif check.outcome == READY and broken is not None:
            found.append(Break(broken, check.at))
            broken = None
    found += [Break(broken, None)] if broken is not None else []
    return Life(name, STATION, (Span(first, None),), tuple(found))


def hours_in_service(life: Life, window: Window) -> float:
    """In its place and not broken, within the window."""
    there = sum((_shared(span.since, span.until, window) for span in life.spans), timedelta())
    broken = timedelta()
    for span in life.spans:
        within = Window(max(span.since, window.since), min(span.until or window.until, window.until))
        broken += sum((_shared(b.at, b.mended, within) for b in life.breaks), timedelta())
    return (there - broken) / timedelta(hours=1)


def failures_in(life: Life, window: Window) -> int:
    return sum(window.holds(one.at) for one in life.breaks)


def repairs_in(life: Life, window: Window) -> list[float]:
    """Hours from breaking to being mended, of those that were mended in the window."""
    mended = [b for b in life.breaks if b.mended is not None and window.holds(b.mended)]
    return [(b.mended - b.at) / timedelta(hours=1) for b in mended if b.mended is not None]


def still_broken(life: Life, window: Window) -> list[float]:
    """Hours since it broke, of what was not mended at the end of the window."""
    open_ones = [b for b in life.breaks if b.at < window.until and (b.mended or window.until) >= window.until]
    return [(window.until - b.at) / timedelta(hours=1) for b in open_ones]


def _shared(since: datetime, until: datetime | None, window: Window) -> timedelta:
    end = min(until or window.until, window.until)
    return max(end - max(since, window.since), timedelta())
