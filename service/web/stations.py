"""Routes of the stations: what they are doing, and asking them for work."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Header, Response, status

from service.plans import PLANS
from service.web.dependencies import Asking, Parts, problems
from service.web.models import (
    Accepted,
    EchoTestIn,
    PlanOut,
    StationOut,
    accepted,
    plan_out,
    stations_out,
)

router = APIRouter(tags=["stations"])


@router.get("/stations", summary="All stations")
def list_stations(wiring: Parts, caller: Asking) -> list[StationOut]:
    """In the order of the stations file; those that the token is for."""
    return stations_out([s for s in wiring.stations if caller.reaches(s.name)], wiring)


@router.get("/stations/{station}", summary="One station", responses=problems(404))
def show_station(station: str, wiring: Parts) -> StationOut:
    """What it is doing, what waits for it, when it was last checked."""
    return stations_out([wiring.station(station)], wiring)[0]


@router.post(
    "/stations/{station}/echo-tests",
    summary="Ask for an echo test",
    status_code=status.HTTP_202_ACCEPTED,
    responses=problems(
        *(400, 403, 404, 409, 413, 415, 422, 429, 503, 507),
        known={202: {"headers": {"Location": {"description": "The run.", "schema": {"type": "string"}}}}},
    ),
)
def request_echo_test(
    station: str,
    body: EchoTestIn,
    wiring: Parts,
    caller: Asking,
    response: Response,
    idempotency_key: Annotated[
        str | None,
        Header(
            description="One per request, best a UUID in double quotes: a repeat then gets the same run. "
            "Remembered for the setting key_hours.",
            examples=['"8e03978e-40d5-43e8-bc93-6894a57f9324"'],
        ),
    ] = None,
) -> Accepted:
    """The run waits for its station's turn; its address is in the Location header."""
    run = wiring.intake.request_echo_test(
        station,
        body.send.as_send(),
        idempotency_key,
        priority=body.priority,
        limit_s=body.limit_s,
        claim=body.claim,
        by=caller,
    )
    answer = accepted(run)
    response.headers["Location"] = answer.href
    return answer


@router.get("/plans", summary="Shipped test plans")
def list_plans() -> list[PlanOut]:
    """What `{"send": {"plan": ...}}` may name."""
    return [plan_out(plan) for plan in PLANS]
