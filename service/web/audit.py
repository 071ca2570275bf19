"""The audit for an admin: who changed what, when, from where."""

from __future__ import annotations

import json
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from service.access.audit import Entry
from service.web.dependencies import Parts, problems

router = APIRouter(tags=["access"])


class AuditQuery(BaseModel):
    """Which rows."""

    model_config = ConfigDict(extra="forbid")
    before: Annotated[int | None, Field(ge=1, le=2**31 - 1, description="The list goes on below it.")] = None
    limit: Annotated[int, Field(ge=1, le=1000)] = 100
    who: Annotated[str | None, Field(max_length=500, description="Id of a token.", examples=["3f9a1c2e"])] = (
        None
    )


class AuditRow(BaseModel):
    """One change."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "number": 17,
                    "at": "2027-01-12T06:31:08.000Z",
                    "who": "3f9a1c2e",
                    "what": "POST /stations/{station}/echo-tests",
                    "subject": "/api/v1/stations/north-3/echo-tests",
                    "address": "192.0.2.17",
                    "outcome": "202",
                    "details": {"name": "Ada's script", "role": "submitter"},
                    "sha256": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
                }
            ]
        }
    )
    number: int
    at: str
    who: Annotated[str, Field(description="Id of a token or session, loopback, a command, or service.")]
    what: str
    subject: str
    address: Annotated[str, Field(description="Where the request came from.")]
    outcome: Annotated[str, Field(description="The HTTP status, or a word.")]
    details: dict[str, Any]
    sha256: Annotated[str, Field(description="Over this row and the hash of the one before.")]


@router.get("/audit", summary="Who changed what", responses=problems(403, 422))
def list_audit(
    wiring: Parts, request: Request, response: Response, query: Annotated[AuditQuery, Query()]
) -> list[AuditRow]:
    """Newest first; the Link header names the next page. `benchwarden audit` verifies the chain."""
    rows, more = wiring.access.audit.page(query.before, query.limit, query.who)
    if more:
        following = {**request.query_params, "before": str(rows[-1].number), "limit": str(query.limit)}
        response.headers["Link"] = f'<{request.url.path}?{urlencode(following)}>; rel="next"'
    return [_out(row) for row in rows]


def _out(entry: Entry) -> AuditRow:
    names = set(AuditRow.model_fields) - {"details", "sha256"}
    values = {name: getattr(entry, name) for name in names}
    return AuditRow(**values, details=json.loads(entry.details), sha256=entry.sha256)
