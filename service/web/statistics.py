"""The route of the lab's own statistics."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response

from service.report.html import content_security_policy
from service.report.statistics_page import render_statistics
from service.report.statistics_text import statistics_text
from service.web.dependencies import Parts, problems
from service.web.formats import Accept, AskedFormat, answer, wanted

router = APIRouter(tags=["statistics"])

RATE = {"value": 0.595, "low": 0.0721, "high": 2.15}
EXAMPLE: dict[str, Any] = {
    "schema": 1,
    "since": "2026-09-01T00:00:00.000Z",
    "until": "2027-02-01T00:00:00.000Z",
    "failures": [
        {
            "kind": "probe",
            "things": 16,
            "hours": 3360.0,
            "failures": 2,
            "per_1000_h": RATE,
            "words": "2 in 3,360 h: 0.072 to 2.2 per 1,000 h",
        }
    ],
    "repairs": [
        {
            "kind": "probe",
            "mended": 2,
            "hours": {"median": 26.5, "median_low": None, "median_high": None, "p90": None, "longest": 50.0},
            "open": 0,
            "open_longest_h": None,
            "words": "2 after 3 h, 2.1 days",
        }
    ],
    "checks": [
        {
            "outcome": "practice-only",
            "checks": 22,
            "of": 480,
            "share": {"value": 0.0458, "low": 0.029, "high": 0.0685},
            "words": "22 of 480 left it for practice only: 4.6 %, surely 2.9 to 6.9 %",
        }
    ],
    "tests": [
        {
            "kind": "echo-test",
            "pass": 190,
            "fail": 24,
            "doubtful": 3,
            "void": 5,
            "cancelled": 1,
            "ended": 222,
            "void_share": {"value": 0.0225, "low": 0.0073, "high": 0.0518},
            "words": "5 of 222 could not be judged: 0.73 to 5.2 %",
        }
    ],
    "waits": [],
    "left_out": [{"name": "dispute_share", "because": "Share of disputed results: nothing is graded here."}],
}
EXAMPLES = {
    "application/json": {"schema": {"type": "object"}, "example": EXAMPLE},
    "text/html": {"example": "<!doctype html><title>The lab from 2026-09-01 to 2027-02-01</title>"},
    "text/plain": {"example": "The lab from 2026-09-01 to 2027-02-01"},
}


@router.get(
    "/statistics",
    summary="The lab's own figures",
    response_class=Response,
    responses=problems(400, 422, known={200: {"content": EXAMPLES}}),
)
def show_statistics(
    wiring: Parts,
    since: Annotated[
        str | None,
        Query(description="RFC 3339 or a day; half a year before without it.", examples=["2026-09-01"]),
    ] = None,
    until: Annotated[
        str | None, Query(description="The same, not included; now without it.", examples=["2027-02-01"])
    ] = None,
    format: AskedFormat = None,
    accept: Accept = "",
) -> Response:
    """Failures per 1,000 h of each kind of thing, times to repair, tests that could not be judged and
    waiting, each with the 95 % range that so few cases allow. No person and no run can be made out in it."""
    document = wiring.room.statistics.of(since, until)
    return answer(
        document,
        format or wanted(accept),
        page=lambda: render_statistics(document),
        text=lambda: statistics_text(document),
        policy=content_security_policy(),
    )
