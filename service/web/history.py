"""Routes of the history: numbers over time, what is usual, and what stands out in the room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response, status
from pydantic import BaseModel, ConfigDict, Field

from service.report.history_page import render_history
from service.report.history_text import history_text
from service.report.html import content_security_policy
from service.room.baselines import Baseline
from service.room.courses import Course
from service.room.history import COMPARED_DAYS, Comparison
from service.room.items import Entry
from service.run_record import moment_of, timestamp
from service.web.dependencies import Parts, Who, problems
from service.web.formats import Accept, AskedFormat, Format, answer, wanted
from service.web.items import ItemId

router = APIRouter(tags=["history"])

PAGES = {
    "text/html": {"example": "<!doctype html><title>north-3: history</title>"},
    "text/plain": {"example": "to_target.probe_factor       1.002 ± 0.020 on 2027-01-12; steady"},
}
Since = Annotated[str | None, Query(description="RFC 3339.", examples=["2027-01-12T06:00:00Z"])]


class PointOut(BaseModel):
    """One measured value."""

    at: str
    run: str
    station: str
    name: str
    value: float
    u: Annotated[float | None, Field(description="Expanded uncertainty, k = 2.")]
    verdict: str | None
    least: Annotated[float | None, Field(description="What it had to be at least, that day.")]
    greatest: float | None
    things: Annotated[dict[str, str], Field(description="Ids of the inventory by place.")]


class UntilOut(BaseModel):
    """How long a number will stay within its limit."""

    limit: float
    about: Annotated[str, Field(examples=["2027-03-12"])]
    earliest: str
    latest: Annotated[str | None, Field(description="null: perhaps for good.")]


class CourseOut(BaseModel):
    """A number over time."""

    name: str
    unit: str
    kind: Annotated[str, Field(description="steady, drift, jump, too-few.")]
    words: str
    per_week: Annotated[float | None, Field(description="The drift; low and high hold it (95 %).")]
    per_week_low: float | None
    per_week_high: float | None
    jumped_at: str | None
    jumped_by: float | None
    good_until: UntilOut | None
    points: Annotated[list[PointOut], Field(description="Oldest first; only where one name was asked for.")]


class BaselineIn(BaseModel):
    """Make what is usual anew."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"because": "new probes"}]})
    because: Annotated[str, Field(min_length=1, max_length=2000)]
    since: Annotated[str | None, Field(description="From checks since then; else since the last one.")] = None


class BaselineOut(BaseModel):
    """What is usual of one number."""

    station: str
    name: str
    unit: str
    centre: float
    within: Annotated[float, Field(description="Standard deviation of repeats without a touch.")]
    between: Annotated[float, Field(description="Standard deviation that a new connection adds.")]
    repeats: int
    points: list[dict[str, Any]]
    made_at: str
    who: str
    because: str
    replaced_at: str | None


class ThingOut(BaseModel):
    """Something that may be to blame."""

    kind: Annotated[str, Field(examples=["probe", "place", "station", "day"])]
    name: str


class ComparisonOut(BaseModel):
    """One number over the whole room."""

    name: str
    unit: str
    values: int
    spread: float
    things: Annotated[
        list[ThingOut], Field(description="What stands out: one when it is decided, none for nothing.")
    ]
    decided: bool
    shift: float
    u: float
    words: str


@router.get(
    "/stations/{station}/history",
    summary="Numbers over time",
    response_model=list[CourseOut],
    responses=problems(400, 404, 422, known={200: {"content": PAGES}}),
)
def show_station_history(
    station: str,
    wiring: Parts,
    name: Annotated[str | None, Query(examples=["to_target.probe_factor"])] = None,
    since: Since = None,
    format: AskedFormat = None,
    accept: Accept = "",
) -> Response:
    """All numbers of the station with their trends; with a name that one, with its points. The page draws
    them all, what drifts first."""
    at, history = wiring.station(station).name, wiring.room.history
    if name is not None:
        courses = [history.of_station(at, name, _since(since))]
    else:
        courses = history.courses_of_station(at, _since(since))
    return _shown(at, courses, (), format or wanted(accept), points=name is not None)


@router.get(
    "/items/{item}/history",
    summary="Numbers of a thing over time",
    response_model=list[CourseOut],
    responses=problems(404, 422, known={200: {"content": PAGES}}),
)
def show_item_history(
    item: ItemId,
    wiring: Parts,
    name: Annotated[str | None, Query(examples=["probe_factor"])] = None,
    format: AskedFormat = None,
    accept: Accept = "",
) -> Response:
    """Through all stations where it was; of a probe the names are without the line. The page and the text
    tell what befell it too, with its notes."""
    courses, inventory = wiring.room.history.of_item(item, name), wiring.room.inventory
    log = inventory.log_of(item)
    return _shown(inventory.one(item).words, courses, log, format or wanted(accept), points=name is not None)


@router.get("/comparison", summary="What stands out in the room", responses=problems(404, 422))
def compare_stations(
    wiring: Parts,
    name: Annotated[str, Query(examples=["probe_factor"])],
    days: Annotated[float, Query(gt=0, le=400)] = COMPARED_DAYS,
) -> ComparisonOut:
    """A probe, a channel, a station or a day whose values lie off those of the others."""
    return _comparison(wiring.room.history.compare(name, days))


@router.get("/stations/{station}/baselines", summary="What is usual", responses=problems(404))
def list_baselines(
    station: str,
    wiring: Parts,
    replaced: Annotated[bool, Query(description="Those before them too.")] = False,
) -> list[BaselineOut]:
    """By name."""
    found = wiring.room.baselines.all(wiring.station(station).name, replaced=replaced)
    return [_baseline(baseline) for baseline in found]


@router.post(
    "/stations/{station}/baselines",
    summary="Make what is usual anew",
    status_code=status.HTTP_201_CREATED,
    responses=problems(400, 403, 404, 409, 415, 422),
)
def make_baselines(station: str, body: BaselineIn, wiring: Parts, who: Who) -> list[BaselineOut]:
    """From ten or more checks that passed; those before are kept, with the reason why they were replaced."""
    at = wiring.station(station).name
    made = wiring.room.baselines.make(at, who, body.because, _since(body.since))
    return [_baseline(baseline) for baseline in made]


def _shown(
    title: str, courses: Sequence[Course], log: Sequence[Entry], shown_as: Format, *, points: bool
) -> Response:
    return answer(
        [_course(course, points=points).model_dump(mode="json") for course in courses],
        shown_as,
        page=lambda: render_history(title, courses, log),
        text=lambda: history_text(courses, log, with_points=points),
        policy=content_security_policy(),
    )


def _since(text: str | None) -> str:
    return timestamp(moment_of(text, "since")) if text else ""


def _course(course: Course, *, points: bool) -> CourseOut:
    values = asdict(course) | {"points": [asdict(p) for p in course.points] if points else []}
    return CourseOut.model_validate(values)


def _baseline(baseline: Baseline) -> BaselineOut:
    return BaselineOut(**(asdict(baseline) | {"points": list(baseline.points)}))


def _comparison(found: Comparison) -> ComparisonOut:
    return ComparisonOut(
        name=found.name,
        unit=found.unit,
        values=found.values,
        spread=found.spread,
        things=[ThingOut(kind=kind, name=name) for kind, name in found.found.things],
        decided=found.found.decided,
        shift=found.found.shift,
        u=found.found.u,
        words=found.words,
    )
