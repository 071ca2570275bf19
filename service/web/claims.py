"""Routes of presence: a person takes a bench for themselves, and gives it back."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, status
from pydantic import BaseModel, ConfigDict, Field

from service.errors import NotFound
from service.room.presence import LONGEST_S, USUAL_S, Claim
from service.web.dependencies import Asking, Parts, Who, problems
from service.web.models import run_href

router = APIRouter(tags=["claims"])


class ClaimIn(BaseModel):
    """A person is at the bench from now on."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"because": "class 3b", "for_s": 5400}]}
    )
    who: Annotated[
        str | None, Field(min_length=1, max_length=100, description="A name, where the token has none.")
    ] = None
    because: Annotated[str, Field(min_length=1, max_length=200)] = "at the bench"
    for_s: Annotated[float, Field(gt=0, le=LONGEST_S, description="It ends by itself after so long.")] = (
        USUAL_S
    )


class AtWorkOut(BaseModel):
    """A run that is still at work at the bench."""

    id: str
    kind: str
    worker: str | None
    href: str


class ClaimOut(BaseModel):
    """A person at a bench."""

    id: Annotated[int, Field(description="Give it as `claim` with a run that you ask for at your own bench.")]
    station: str
    who: str
    because: str
    since: str
    until: Annotated[str, Field(description="It ends by itself then.")]
    ended_at: str | None
    ended_because: str | None
    clear: Annotated[bool, Field(description="Nobody works there remotely: hands may go to the bench.")]
    at_work: Annotated[
        list[AtWorkOut], Field(description="What is still at work; it ends at its next safe point.")
    ]


@router.get("/claims", summary="Persons at benches")
def list_claims(wiring: Parts) -> list[ClaimOut]:
    """Those that count now, by station."""
    claims = wiring.room.presence.all()
    return [_out(claims[name], wiring) for name in sorted(claims)]


@router.get("/stations/{station}/claim", summary="Who is at a bench", responses=problems(404))
def show_claim(station: str, wiring: Parts) -> ClaimOut:
    """404 when nobody is."""
    name = wiring.station(station).name
    claim = wiring.room.presence.of(name)
    if claim is None:
        raise NotFound(f"nobody is at {name}")
    return _out(claim, wiring)


@router.put(
    "/stations/{station}/claim",
    summary="Take a bench",
    status_code=status.HTTP_200_OK,
    responses=problems(403, 404, 409, 415, 422),
)
def claim_station(station: str, body: ClaimIn, wiring: Parts, asking: Asking) -> ClaimOut:
    """No run begins there any more; look again until `clear`. The same person's claim is made longer."""
    claim = wiring.room.presence.claim(
        station,
        body.who or asking.words,
        owner=asking.owner,
        because=body.because,
        for_s=body.for_s,
    )
    return _out(claim, wiring)


@router.delete("/stations/{station}/claim", summary="Give a bench back", responses=problems(403, 404))
def give_station_back(station: str, wiring: Parts, who: Who) -> ClaimOut:
    """Whatever waits there has its turn."""
    claim = wiring.room.presence.give_back(wiring.station(station).name, who)
    wiring.engine.serve_again(claim.station)
    return _out(claim, wiring)


def _out(claim: Claim, wiring: Parts) -> ClaimOut:
    runs = wiring.room.presence.at_work(claim)
    alive = {worker.id for worker in wiring.engine.workers_of([claim.station]).values() if worker.alive}
    working = [run for run in runs if run.origin != "service" or run.worker is None or run.worker in alive]
    names = set(ClaimOut.model_fields) - {"clear", "at_work"}
    return ClaimOut(
        **{name: getattr(claim, name) for name in names},
        clear=not working,
        at_work=[
            AtWorkOut(id=run.id, kind=run.kind, worker=run.worker, href=run_href(run.id)) for run in working
        ],
    )
