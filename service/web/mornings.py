"""Routes of the morning summaries."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Header, Path, Query, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from service.report.morning_page import morning_policy, render_morning
from service.report.morning_text import morning_text
from service.web.dependencies import Parts, problems
from service.web.models import BASE

router = APIRouter(tags=["mornings"])

Format = Literal["html", "json", "text"]
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
TYPES: tuple[tuple[str, Format], ...] = (
    ("text/html", "html"),
    ("application/json", "json"),
    ("text/plain", "text"),
)


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
    format: Annotated[Format | None, Query(description="Before what Accept asks for.")] = None,
    accept: Annotated[str, Header(description="JSON without it.")] = "",
) -> Response:
    """All stations, worst first, with the first thing to do at each, and what became of sending it."""
    mornings = wiring.room.mornings
    document = mornings.now() if date == NOW else mornings.one(date)
    return _shown(document, format or wanted(accept))


def wanted(accept: str) -> Format:
    """What the Accept header likes best of the three (RFC 9110 12.5.1); JSON when it does not care."""
    best: tuple[float, Format] = (0.0, "json")
    for part in accept.split(","):
        kind, _, parameters = part.strip().partition(";")
        for known, name in TYPES:
            if kind.strip().lower() == known and (quality := _quality(parameters)) > best[0]:
                best = (quality, name)
    return best[1]


def _quality(parameters: str) -> float:
    for parameter in parameters.split(";"):
        name, _, value = parameter.strip().partition("=")
        if name.lower() == "q":
            try:
                return float(value)
            except ValueError:
                return 0.0
    return 1.0


def _shown(document: dict[str, Any], format: Format) -> Response:
    if format == "html":
        policy = f"{morning_policy()}; frame-ancestors 'none'; sandbox"
        headers = {"Content-Security-Policy": policy, "Vary": "Accept"}
        return Response(render_morning(document), media_type="text/html; charset=utf-8", headers=headers)
    if format == "text":
        return Response(
            morning_text(document), media_type="text/plain; charset=utf-8", headers={"Vary": "Accept"}
        )
    return JSONResponse(document, headers={"Vary": "Accept"})
