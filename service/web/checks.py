"""Station checks over HTTP: the same runs as `benchwarden check`, done by the service."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Header, Response, status
from pydantic import BaseModel, ConfigDict, Field

from service.check.asked import Asked, asked_of
from service.check.work import KIND, check_request
from service.web.dependencies import Asking, Parts, problems
from service.web.models import Accepted, Priority, accepted

router = APIRouter(tags=["stations"])


class CheckIn(BaseModel):
    """What of a check is wanted; nothing at all means all that can be done with nobody in the room."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [{}, {"only": ["trigger"]}, {"guided": True}, {"only": ["bench-or-board"]}]
        },
    )
    guided: Annotated[
        bool,
        Field(description="With a person at the bench: the run waits, shows one step at a time, watches."),
    ] = False
    set_right: Annotated[bool, Field(description="With `only: [trigger]`: set the trigger right.")] = False
    metered_volts: Annotated[
        float | None, Field(gt=0, le=100, description="With `guided`: a source that a meter measured.")
    ] = None
    meter: Annotated[str | None, Field(max_length=80, description="That meter's name or number.")] = None
    only: Annotated[
        list[Annotated[str, Field(max_length=40)]],
        Field(max_length=20, description="Parts of the check by name, e.g. instrument, idle, traffic."),
    ] = []
    alone: Annotated[
        bool, Field(description="Nobody is at the bench: bench-or-board leaves out what needs hands.")
    ] = False
    repeats: Annotated[
        int | None, Field(ge=2, le=50, description="So many times over, without a touch: for a baseline.")
    ] = None
    claim: Annotated[
        int | None, Field(description="Number of the claim that whoever asks has on the station.")
    ] = None
    priority: Annotated[
        Priority | None,
        Field(description="check: behind all else (usual without a person)."),
    ] = None
    limit_s: Annotated[
        float | None,
        Field(gt=0, le=86_400, description="Seconds at the bench; the setting run_limit_s without it."),
    ] = None

    def as_asked(self) -> Asked:
        """Raises BadInput for what does not go together."""
        return asked_of(self.model_dump(exclude={"priority", "limit_s", "claim"}))


class CheckItemOut(BaseModel):
    """One number of a check."""

    name: Annotated[str, Field(examples=["from_target.compensation"])]
    value: Annotated[float | None, Field(description="null: could not be measured honestly.")]
    u: Annotated[float | None, Field(description="Expanded uncertainty (k = 2).")]
    unit: str
    limit: Annotated[dict[str, float], Field(examples=[{"min": -5.0, "max": 5.0}])]
    verdict: Annotated[str, Field(examples=["pass", "fail", "inconclusive"])]
    because: str
    subject: Annotated[str, Field(examples=["probe/from_target"])]


class CheckOut(BaseModel):
    """`result` of a run of kind check (contract 3b); more members may come."""

    model_config = ConfigDict(extra="allow")
    station: str
    outcome: Annotated[str, Field(examples=["ready", "practice-only", "not-usable", "not-seen"])]
    items: list[CheckItemOut]
    first_step: str
    next_steps: list[str]
    checked_at: str
    valid_until: str


def document_schemas() -> dict[str, Any]:
    """The document of a check for the description of the interface, by name."""
    made = CheckOut.model_json_schema(ref_template="#/components/schemas/{model}")
    inner: dict[str, Any] = made.pop("$defs", {})
    return {**inner, CheckOut.__name__: made}


@router.post(
    "/stations/{station}/checks",
    summary="Ask for a station check",
    status_code=status.HTTP_202_ACCEPTED,
    responses=problems(
        *(400, 403, 404, 409, 413, 415, 422, 429, 503, 507),
        known={202: {"headers": {"Location": {"description": "The run.", "schema": {"type": "string"}}}}},
    ),
)
def request_check(
    station: str,
    wiring: Parts,
    caller: Asking,
    response: Response,
    body: CheckIn | None = None,
    idempotency_key: Annotated[
        str | None,
        Header(
            description="One per request, best a UUID in double quotes: a repeat then gets the same run.",
            examples=['"8e03978e-40d5-43e8-bc93-6894a57f9324"'],
        ),
    ] = None,
) -> Accepted:
    """The run waits for its station's turn; its `result` is a document as the schema CheckOut has it."""
    body = body or CheckIn()
    asked = body.as_asked()
    run = wiring.intake.request(
        KIND,
        wiring.station(station),
        check_request(asked) | ({} if body.claim is None else {"claim": body.claim}),
        idempotency_key,
        by=caller,
        priority=body.priority or ("class-now" if asked.with_a_person else None),
        limit_s=body.limit_s,
    )
    answer = accepted(run)
    response.headers["Location"] = answer.href
    return answer
