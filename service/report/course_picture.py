"""A number over time as a drawing: values with their uncertainty, limits, changes of the thing, where it
goes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.pipeline.numbers import quantity
from service.report.svg import SvgWriter, coordinate
from service.room.courses import Course, Point

WIDTH, HEIGHT = 760.0, 150.0
LEFT, RIGHT, TOP, BOTTOM = 92.0, 14.0, 12.0, 26.0
NEAR = 4.0
"""A limit that lies further away than so many spans of the values is named below the drawing instead."""
NEWEST = 400
DAY_S = 86_400.0


@dataclass(frozen=True)
class _Scale:
    """From days and values to places."""

    first: float
    last: float
    low: float
    high: float

    def x(self, day: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (day - self.first) / (self.last - self.first)

    def y(self, value: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (self.high - value) / (self.high - self.low)


def picture(course: Course) -> str:
    """SVG of the newest NEWEST points; its words are its label."""
    points = course.points[-NEWEST:]
    days = [_day(point.at) for point in points]
    limits = near_limits(course)
    scale = _scale(points, days, limits)
    out = SvgWriter()
    box = f"0 0 {WIDTH:g} {HEIGHT:g}"
    with out.group("svg", class_="course", viewBox=box, role="img", aria_label=course.words):
        _frame(out, scale, course.unit, (points[0].at[:10], points[-1].at[:10]))
        for limit in limits:
            out.line(LEFT, scale.y(limit), WIDTH - RIGHT, scale.y(limit), "limit")
        for day, words in _changes(points, days):
            out.line(scale.x(day), TOP, scale.x(day), HEIGHT - BOTTOM, "change")
            out.text(scale.x(day), HEIGHT - 6, words, "soft", "middle")
        _trend(out, course, scale, days)
        for point, day in zip(points, days, strict=True):
            _point(out, point, scale, day)
    return str(out)


def near_limits(course: Course) -> list[float]:
    """Those of the newest value that lie near enough to be drawn."""
    values = [point.value for point in course.points[-NEWEST:]]
    span = max(max(values) - min(values), 2 * max((p.u or 0.0) for p in course.points), 1e-300)
    last = course.points[-1]
    middle = (max(values) + min(values)) / 2
    return [v for v in (last.least, last.greatest) if v is not None and abs(v - middle) <= NEAR * span]


def far_limits(course: Course) -> str:
    """In words, those that are not drawn; empty for none."""
    last, near = course.points[-1], near_limits(course)
    named = (("at least", last.least), ("at most", last.greatest))
    told = [f"{w} {quantity(v, course.unit, digits=3)}" for w, v in named if v is not None and v not in near]
    return f"May be {' and '.join(told)}: too far away to be drawn." if told else ""


def _frame(out: SvgWriter, scale: _Scale, unit: str, dates: tuple[str, str]) -> None:
    for value in _ticks(scale.low, scale.high):
        out.line(LEFT, scale.y(value), WIDTH - RIGHT, scale.y(value), "grid")
        out.text(LEFT - 8, scale.y(value) + 4, quantity(value, unit, digits=4), "soft", "end")
    out.text(LEFT, HEIGHT - 6, dates[0], "soft")
    if dates[0] != dates[1]:
        out.text(WIDTH - RIGHT, HEIGHT - 6, dates[1], "soft", "end")


def _point(out: SvgWriter, point: Point, scale: _Scale, day: float) -> None:
    x, y = coordinate(scale.x(day)), coordinate(scale.y(point.value))
    if point.u:
        low, high = scale.y(point.value - point.u), scale.y(point.value + point.u)
        out.line(scale.x(day), max(high, TOP), scale.x(day), min(low, HEIGHT - BOTTOM), "whisker")
    off = " off" if point.verdict == "fail" else ""
    out.leaf("circle", cx=x, cy=y, r="4" if off else "2.6", class_=f"point{off}")


def _trend(out: SvgWriter, course: Course, scale: _Scale, days: Sequence[float]) -> None:
    """The drift through the middle of the points since the last jump; a jump as a line of its own."""
    if course.jumped_at is not None:
        at = scale.x(_day(course.jumped_at))
        out.line(at, TOP, at, HEIGHT - BOTTOM, "jump")
    if course.kind != "drift" or course.per_week is None:
        return
    since = _day(course.jumped_at) if course.jumped_at is not None else days[0]
    used = sorted((d, p.value) for d, p in zip(days, course.points[-NEWEST:], strict=True) if d >= since)
    at, level = used[len(used) // 2][0], sorted(value for _, value in used)[len(used) // 2]
    ends = [(day, level + course.per_week / 7 * (day - at)) for day in (used[0][0], used[-1][0])]
    (x1, y1), (x2, y2) = ((scale.x(day), scale.y(value)) for day, value in ends)
    out.line(x1, y1, x2, y2, "drift")


def _changes(points: Sequence[Point], days: Sequence[float]) -> list[tuple[float, str]]:
    """Where another thing came, or the same one to another station: the day and its name."""
    found = []
    for before, after, day in zip(points, points[1:], days[1:], strict=False):
        if before.station != after.station:
            found.append((day, after.station))
        elif dict(before.things) != dict(after.things) and after.things:
            found.append((day, " ".join(after.things.values())))
    return found


def _scale(points: Sequence[Point], days: Sequence[float], limits: Sequence[float]) -> _Scale:
    ends = [p.value + sign * (p.u or 0.0) for p in points for sign in (-1, 1)] + list(limits)
    low, high = min(ends), max(ends)
    spare = 0.08 * (high - low) or abs(high) * 0.05 or 1.0
    first, last = days[0], days[-1]
    return _Scale(first, last if last > first else first + 1.0, low - spare, high + spare)


def _ticks(low: float, high: float) -> list[float]:
    """Two to five round values."""
    rough = (high - low) / 3
    scale = 10.0 ** math.floor(math.log10(rough))
    step = next(m * scale for m in (1, 2, 5, 10) if m * scale >= rough * (1 - 1e-9))
    return [n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _day(moment: str) -> float:
    return datetime.fromisoformat(moment).timestamp() / DAY_S
