"""Routes of the morning summaries."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import BaseModel, Field

from service.report.morning_page import morning_policy, render_morning
from service.report.morning_text import morning_text
from service.web.dependencies import Parts, problems
from service.web.formats import Accept, AskedFormat, answer, wanted
from service.web.models import BASE

router = APIRouter(tags=["mornings"])

NOW = "now"
EXAMPLES = {
    "application/json": {
        "schema": {"type": "object"},
        "example": {
            "schema": 1,
            "date": "2027-01-12",
            "headline": "7 of 8 stations are ready; 1 not usable.",
            "stations": [
                {
                    "station": "north-3",
                    "outcome": "not-usable",
                    "first_step": "Set the switch on the probe to 10x.",
                }
            ],
        },
    },
    "text/html": {"example": "<!doctype html><title>Stations on 2027-01-12, 07:30</title>"},
    "text/plain": {"example": "Stations on 2027-01-12, 07:30 (Europe/Berlin)"},
}


class MorningRow(BaseModel):
    """A morning as it stands in a list."""

    date: Annotated[str, Field(description="Of the room's own calendar.", examples=["2027-01-12"])]
    href: str


@router.get("/mornings", summary="Morning summaries, newest first")
def list_mornings(wiring: Parts) -> list[MorningRow]:
    """Those that were made; `/mornings/now` is always there."""
    dates = wiring.room.mornings.dates()
    return [MorningRow(date=date, href=f"{BASE}/mornings/{date}") for date in dates]


@router.get(
    "/mornings/{date}",
    summary="A morning summary",
    response_class=Response,
    responses=problems(404, 422, known={200: {"content": EXAMPLES}}),
)
def show_morning(
    date: Annotated[
        str, Path(description="Or `now`: as it would be at this moment.", examples=["2027-01-12"])
    ],
    wiring: Parts,
    format: AskedFormat = None,
    accept: Accept = "",
) -> Response:
    """All stations, worst first, with the first thing to do at each, and what became of sending it."""
    mornings = wiring.room.mornings
    document = mornings.now() if date == NOW else mornings.one(date)
    return answer(
        document,
        format or wanted(accept),
        page=lambda: render_morning(document),
        text=lambda: morning_text(document),
        policy=morning_policy(),
    )
