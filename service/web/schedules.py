"""Routes of the schedules: what is asked for by itself, and when next."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path, Response, status
from pydantic import BaseModel, ConfigDict, Field

from service.run_record import timestamp, utc_now
from service.schedules import Schedule
from service.web.dependencies import Parts, problems
from service.web.models import SendIn

router = APIRouter(tags=["schedules"])

Name = Annotated[str, Path(pattern="^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$", examples=["morning"])]


class ScheduleIn(BaseModel):
    """When which stations are asked to do what."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "cron": "30 7 * * 1-5",
                    "zone": "Europe/Berlin",
                    "stations": ["north-*"],
                    "kind": "echo-test",
                    "send": {"plan": "short"},
                    "missed": "once",
                }
            ]
        },
    )
    cron: Annotated[str, Field(description="Minute, hour, day of month, month, day of week.")]
    stations: Annotated[list[str], Field(min_length=1, description='Names, or patterns such as "north-*".')]
    zone: Annotated[str, Field(description="IANA name of a time zone.")] = "UTC"
    kind: str = "check"
    send: SendIn | None = None
    missed: Annotated[str, Field(description="skip, or once: make up for the last missed moment.")] = "skip"
    priority: str | None = None
    enabled: bool = True


class ScheduleOut(ScheduleIn):
    """A schedule with where it stands and when it is served next."""

    name: str
    source: Annotated[str, Field(description="file: the stations file; http: a request like this.")]
    next_at: Annotated[str | None, Field(description="UTC; null when it is off or never comes.")]


@router.get("/schedules", summary="All schedules")
def list_schedules(wiring: Parts) -> list[ScheduleOut]:
    """By name."""
    return [_out(schedule, source) for schedule, source in wiring.scheduler.all()]


@router.get("/schedules/{name}", summary="One schedule", responses=problems(404, 422))
def show_schedule(name: Name, wiring: Parts) -> ScheduleOut:
    """As it counts now."""
    return _out(*wiring.scheduler.one(name))


@router.put("/schedules/{name}", summary="Make or change a schedule", responses=problems(403, 409, 415, 422))
def put_schedule(name: Name, body: ScheduleIn, wiring: Parts) -> ScheduleOut:
    """It counts from now on. One of the stations file is changed there."""
    send = body.send.model_dump(exclude_none=True) if body.send else {}
    document = {**body.model_dump(), "send": send, "name": name}
    wiring.scheduler.put(wiring.scheduler.check(document))
    return _out(*wiring.scheduler.one(name))


@router.delete(
    "/schedules/{name}",
    summary="Remove a schedule",
    status_code=status.HTTP_204_NO_CONTENT,
    responses=problems(403, 404, 409, 422),
)
def remove_schedule(name: Name, wiring: Parts) -> Response:
    """Runs that it has asked for stay."""
    wiring.scheduler.remove(name)
    return Response(status_code=status.HTTP_204_NO_CONTENT)


def _out(schedule: Schedule, source: str) -> ScheduleOut:
    next_at: datetime | None = schedule.next_after(utc_now()) if schedule.enabled else None
    values = {**schedule.as_document(), "send": dict(schedule.send) or None}
    return ScheduleOut(**values, source=source, next_at=timestamp(next_at) if next_at else None)
