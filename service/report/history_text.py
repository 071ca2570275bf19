"""The history of a station or a thing as plain text."""

from __future__ import annotations

from collections.abc import Sequence

from service.pipeline.numbers import with_uncertainty
from service.room.courses import Course
from service.room.items import Entry
from service.room.plain import one_line

NOTHING = "nothing was measured yet"


def history_text(courses: Sequence[Course], log: Sequence[Entry] = (), *, with_points: bool = False) -> str:
    """A line for each number, its values below it when they are wanted, then what befell the thing."""
    lines = []
    for course in courses:
        lines.append(f"{one_line(course.name):28} {course.words}")
        for point in course.points if with_points else ():
            things = " ".join(one_line(item) for item in point.things.values())
            value = with_uncertainty(point.value, point.u, point.unit)
            told = f"  {point.at}  {value:>24}  {point.verdict or '':12} {point.station} {things}"
            lines.append(told.rstrip())
    lines = lines or [NOTHING]
    if log:
        lines += ["", "What befell it, newest first", *(f"  {entry_text(entry)}" for entry in log)]
    return "\n".join(lines) + "\n"


def entry_text(entry: Entry) -> str:
    """One line of a thing's log: when, who, what."""
    return f"{entry.at}  {one_line(entry.who)}: {entry.what}, {one_line(entry.text)}"
