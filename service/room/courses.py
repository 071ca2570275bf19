"""The course of one number over time as a record, and what it comes to in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from service.pipeline.numbers import quantity, with_uncertainty
from service.pipeline.trend import DRIFT, JUMP, TOO_FEW, Crossing, Trend, trend_of
from service.run_record import moment_of, timestamp

DAY_S = 86_400.0
NEWEST = 400
"""So many points make a trend; a year of mornings."""
HORIZON_DAYS = 3650.0


@dataclass(frozen=True)
class Point:
    """One measured value. `u` is expanded (k = 2); `least` and `greatest` are the limits of that day."""

    at: str
    run: str
    station: str
    name: str
    value: float
    u: float | None
    unit: str
    verdict: str | None
    least: float | None
    greatest: float | None
    things: Mapping[str, str]
    """Ids of the inventory by place, e.g. {"to_target": "P-07"}; those of which the number speaks."""


@dataclass(frozen=True)
class Until:
    """How long a number will stay within its limit, dates in UTC; `latest` None: perhaps for good."""

    limit: float
    about: str
    earliest: str
    latest: str | None


@dataclass(frozen=True)
class Course:
    """A number over time."""

    name: str
    unit: str
    points: tuple[Point, ...]
    """Oldest first."""
    kind: str
    """steady, drift, jump, too-few."""
    per_week: float | None
    per_week_low: float | None
    per_week_high: float | None
    """The drift with its interval (95 %)."""
    jumped_at: str | None
    jumped_by: float | None
    good_until: Until | None
    words: str


def course_of(name: str, points: Sequence[Point]) -> Course:
    """What the points (oldest first, at least one) come to."""
    newest = points[-NEWEST:]
    start = moment_of(newest[0].at, "at")
    t = np.array([(moment_of(p.at, "at") - start).total_seconds() / DAY_S for p in newest])
    y = np.array([p.value for p in newest])
    last = newest[-1]
    trend = trend_of(t, y, last.least, last.greatest)
    slope = trend.slope
    jump = newest[trend.jump.index] if trend.jump is not None else None
    until = _until(trend.crossing, start) if trend.kind == DRIFT and trend.crossing is not None else None
    return Course(
        name=name,
        unit=last.unit,
        points=tuple(points),
        kind=trend.kind,
        per_week=slope.slope * 7 if slope else None,
        per_week_low=slope.low * 7 if slope else None,
        per_week_high=slope.high * 7 if slope else None,
        jumped_at=jump.at if jump else None,
        jumped_by=trend.jump.size if trend.jump else None,
        good_until=until,
        words=_words(trend, newest, until),
    )


def _until(crossing: Crossing, start: datetime) -> Until | None:
    if crossing.earliest > HORIZON_DAYS:
        return None
    latest = crossing.latest if crossing.latest is not None and crossing.latest <= HORIZON_DAYS else None
    return Until(
        crossing.limit,
        _date(start, min(crossing.expected, HORIZON_DAYS)),
        _date(start, crossing.earliest),
        None if latest is None else _date(start, latest),
    )


def _date(start: datetime, days: float) -> str:
    return timestamp(start + timedelta(days=days))[:10]


def _words(trend: Trend, points: Sequence[Point], until: Until | None) -> str:
    last = points[-1]
    now = f"{with_uncertainty(last.value, last.u, last.unit)} on {last.at[:10]}"
    if trend.kind == TOO_FEW:
        return f"{now}; {len(points)} values are too few for a trend"
    told = []
    if trend.jump is not None:
        before, jump = points[trend.jump.index - 1], points[trend.jump.index]
        size = quantity(trend.jump.size, last.unit, digits=2)
        told.append(f"jumped by {size} on {jump.at[:10]}{_came(before, jump)}")
    if trend.kind == DRIFT and trend.slope is not None:
        half = (trend.slope.high - trend.slope.low) / 2 * 7
        told.append(f"drifts by {with_uncertainty(trend.slope.slope * 7, half, last.unit)} a week")
    if until is not None:
        latest = f"and {until.latest}" if until.latest else "and perhaps never"
        told.append(
            f"good until about {until.about} (limit {quantity(until.limit, last.unit, digits=3)}, "
            f"between {until.earliest} {latest})"
        )
    if trend.kind == JUMP and trend.slope is not None:
        told.append("steady since")
    return "; ".join([now, *(told or ["steady"])])


def _came(before: Point, jump: Point) -> str:
    """Another thing or place at that very moment explains a jump."""
    came = [item for place, item in jump.things.items() if before.things.get(place) != item]
    if jump.station != before.station:
        return f", when it came to {jump.station}"
    return f", when {' and '.join(came)} came" if came else ""
