"""The history of a station or a thing as one HTML page: each number over time, in words, as a drawing, as a
table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from service.pipeline.numbers import with_uncertainty
from service.report.course_picture import far_limits, picture
from service.report.html import content_security_policy, environment, resource
from service.report.marks import printable
from service.report.meta import ReportMeta
from service.room.courses import Course, Point
from service.room.items import Entry
from service.room.plain import number_words

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

ROWS = 10
"""The newest values of a number in its table."""
RANK = {"drift": 0, "jump": 1, "steady": 2, "too-few": 3}


@dataclass(frozen=True)
class Shown:
    """One number."""

    title: str
    words: str
    picture: Markup
    beyond: str
    rows: Sequence[Mapping[str, str]]
    left_out: int


def render_history(title: str, courses: Sequence[Course], log: Sequence[Entry] = ()) -> str:
    """The page as text: what drifts first. `log`: what befell the thing, newest first."""
    ordered = sorted(courses, key=lambda course: RANK[course.kind])
    return _template().render(
        policy=content_security_policy(),
        style=resource("report.css"),
        meta=ReportMeta(title=title),
        shown=printable,
        moving=[c for c in ordered if c.kind in ("drift", "jump")],
        too_few=bool(ordered) and all(course.kind == "too-few" for course in ordered),
        named=number_words,
        numbers=[_shown(course) for course in ordered if not _never_changed(course)],
        unchanged=[course for course in ordered if _never_changed(course)],
        log=log,
    )


def _never_changed(course: Course) -> bool:
    """Nothing to draw, such as errors that there were none of."""
    return len({point.value for point in course.points}) == 1


def _shown(course: Course) -> Shown:
    from markupsafe import Markup

    newest = course.points[-ROWS:][::-1]
    return Shown(
        title=number_words(course.name),
        words=course.words,
        picture=Markup(picture(course)),  # escaped by its writer
        beyond=far_limits(course),
        rows=[_row(point) for point in newest],
        left_out=len(course.points) - len(newest),
    )


def _row(point: Point) -> dict[str, Any]:
    return {
        "at": point.at[:16].replace("T", " "),
        "value": with_uncertainty(point.value, point.u, point.unit),
        "verdict": point.verdict or "",
        "where": point.station,
        "things": " ".join(point.things.values()),
    }


@cache
def _template() -> Template:
    return environment().get_template("history.html")
