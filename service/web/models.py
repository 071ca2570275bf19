"""What goes in and out as JSON. Names are those of contract.md section 6; more may come, none goes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.locks import Holder
from service.plans import Plan, Send
from service.room.presence import Claim
from service.room.standing import LastCheck, Standing
from service.run_record import Run, named_captures
from service.stations import Station
from service.web.standings import StandingOut, standing_out
from service.wiring import Wiring
from service.workers import Worker

BASE = "/api/v1"

State = Literal["queued", "running", "waiting", "done", "cancelled", "error"]
Verdict = Literal["pass", "fail", "inconclusive"]
Kind = Literal["echo-test", "check", "grading"]
Priority = Literal["class-now", "grading", "check"]


class SendIn(BaseModel):
    """What the PC is to send: exactly one of the three."""

    model_config = ConfigDict(extra="forbid", strict=True)
    text: Annotated[str | None, Field(description="Sent as UTF-8.", examples=["Tide 7"])] = None
    hex: Annotated[str | None, Field(description="Bytes in hexadecimal.", examples=["54696465"])] = None
    plan: Annotated[str | None, Field(description="A shipped plan by name.", examples=["all-values"])] = None

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        given = [name for name in ("text", "hex", "plan") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(
                f"exactly one of text, hex and plan is needed, got {' and '.join(given) or 'none'}"
            )
        return self

    def as_send(self) -> Send:
        return Send(text=self.text, hex=self.hex, plan=self.plan)


class EchoTestIn(BaseModel):
    """An echo test: the payload may also stand without `send` around it."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"examples": [{"send": {"text": "Tide 7"}}, {"send": {"plan": "all-values"}}]},
    )
    send: SendIn
    priority: Annotated[
        Priority | None,
        Field(description="class-now: a person in the room waits (an echo test's own class)."),
    ] = None
    limit_s: Annotated[
        float | None,
        Field(gt=0, le=86_400, description="Seconds at the bench; the setting run_limit_s without it."),
    ] = None
    claim: Annotated[
        int | None, Field(description="Number of the claim that whoever asks has on the station.")
    ] = None

    @model_validator(mode="before")
    @classmethod
    def _bare(cls, data: Any) -> Any:
        """`{"hex": "4869"}` is taken for `{"send": {"hex": "4869"}}`: contract.md can be read both ways."""
        if isinstance(data, dict) and "send" not in data and set(data) & set(SendIn.model_fields):
            return {"send": data}
        return data


class AnswerIn(BaseModel):
    """What a person did; most steps need no words."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{}, {"text": "probe moved"}]})
    text: Annotated[str | None, Field(max_length=1000)] = None
    skip: Annotated[bool, Field(description="The step is left out, not done.")] = False

    def as_answer(self) -> dict[str, Any]:
        return self.model_dump(exclude_none=True, exclude_defaults=True)


class WorkerOut(BaseModel):
    """Who does the runs of a station."""

    id: Annotated[str, Field(examples=["bench-pc-3/north-3-1f2e3d4c"])]
    host: str
    alive: Annotated[bool, Field(description="Heard of within the last 20 s.")]
    silent_s: Annotated[float, Field(description="How long it has not been heard of, seconds.")]


class Accepted(BaseModel):
    """Taken on, not done: a repeat with the same Idempotency-Key gets this very answer again."""

    id: Annotated[str, Field(examples=["20270112-063108-250000-3f9a1c2e"])]
    kind: Kind
    station: Annotated[str, Field(examples=["north-3"])]
    state: Annotated[Literal["queued"], Field(description="As it was when it was taken on.")] = "queued"
    created_at: str
    href: Annotated[str, Field(description="The same as the Location header.")]


class CaptureOut(BaseModel):
    """One capture of a run: a shot that was judged, or a look that was taken to find levels and windows."""

    name: Annotated[str, Field(examples=["0", "look-0"])]
    number: Annotated[
        int | None, Field(description="`shot` of the result document; null for a look, which has none.")
    ]
    label: str
    href: str


class RunRow(BaseModel):
    """A run as it stands in a list. Times are UTC, RFC 3339."""

    id: str
    kind: Kind
    station: str
    state: State
    verdict: Verdict | None
    created_at: str
    started_at: str | None
    finished_at: str | None
    request: dict[str, Any]
    priority: Priority
    waiting_for: Annotated[
        dict[str, Any] | None,
        Field(description="What a person is to do (`text`), and `until` when; then POST .../continue."),
    ]
    worker: Annotated[str | None, Field(description="Who does it or did it.")]
    owner: Annotated[
        str | None, Field(description="Id of the token, or the user of the command, that asked for it.")
    ]
    error: Annotated[dict[str, Any] | None, Field(description="Problem details, when the state is error.")]
    href: str


class RunOut(RunRow):
    """A run with all that it brought."""

    result: Annotated[dict[str, Any] | None, Field(description="The result document, once there is one.")]
    captures: Annotated[list[CaptureOut], Field(description="The shots in their order, then the looks.")]
    report: Annotated[str | None, Field(description="Where the report is, once there is one.")]
    events: str


class StationOut(BaseModel):
    """A station and what it is doing."""

    name: Annotated[str, Field(examples=["north-3"])]
    state: Annotated[
        Literal["free", "busy"],
        Field(description="busy: a run is being done, here or by a command on this host."),
    ]
    running: Annotated[str | None, Field(description="Id of the run that this service is doing.")]
    in_use_by: Annotated[str | None, Field(description="The command that holds the station, in words.")]
    worker: Annotated[WorkerOut | None, Field(description="Who does its runs; null: nobody just now.")]
    queue: Annotated[list[str], Field(description="Ids of the runs that wait, next first.")]
    last_check: Annotated[
        dict[str, Any] | None, Field(description="The last station check, if there was one.")
    ]
    claimed_by: Annotated[str | None, Field(description="Who is at the bench: other runs wait.")]
    standing: Annotated[StandingOut, Field(description="What it may be used for now.")]
    last_run: Annotated[str | None, Field(description="Id of the newest run.")]
    dialect: str
    baud: float
    frame: str
    logic: str
    href: str


class PlanOut(BaseModel):
    """A shipped test plan."""

    name: str
    about: str
    payload_hex: str


class Problem(BaseModel):
    """RFC 9457 problem details: the shape of every error."""

    type: Annotated[str, Field(examples=["/problems/unknown-station"])]
    title: Annotated[str, Field(examples=["No such station"])]
    status: Annotated[int, Field(examples=[404])]
    detail: Annotated[str, Field(examples=["no station 'north-33'; did you mean north-3?"])]
    instance: Annotated[str, Field(examples=["/api/v1/stations/north-33"])]


ACCEPTED_FROM_RUN = ("id", "kind", "station", "created_at")


def run_href(run_id: str) -> str:
    """Where a run is."""
    return f"{BASE}/runs/{run_id}"


def accepted(run: Run) -> Accepted:
    return Accepted(**{name: getattr(run, name) for name in ACCEPTED_FROM_RUN}, href=run_href(run.id))


def run_row(run: Run) -> RunRow:
    return RunRow(**_row(run))


def run_out(run: Run, wiring: Wiring) -> RunOut:
    href = run_href(run.id)
    return RunOut(
        **_row(run),
        result=wiring.store.result(run.id),
        captures=[
            CaptureOut(name=c.name, number=c.shot, label=c.label, href=f"{href}/captures/{c.name}")
            for c in named_captures(run.captures)
        ],
        report=f"{href}/report" if run.report else None,
        events=f"{href}/events",
    )


def stations_out(stations: Sequence[Station], wiring: Wiring) -> list[StationOut]:
    names = [station.name for station in stations]
    newest, workers = wiring.store.newest_of(names), wiring.engine.workers_of(names)
    standings, claims = wiring.room.standings.of(names), wiring.room.presence.all()
    return [
        _station(wiring, s, newest.get(s.name), workers.get(s.name), standings[s.name], claims.get(s.name))
        for s in stations
    ]


def _station(
    wiring: Wiring,
    station: Station,
    newest: Run | None,
    worker: Worker | None,
    standing: Standing,
    claim: Claim | None,
) -> StationOut:
    running = wiring.engine.active_on(station.name)
    holder: Holder | None = wiring.tools.locks.holder(station.scope)
    return StationOut(
        name=station.name,
        state="busy" if running or holder else "free",
        running=running,
        in_use_by=str(holder) if holder else None,
        worker=_worker_out(worker) if worker else None,
        queue=list(wiring.engine.queue_of(station.name)),
        last_check=_last_check(standing.check) if standing.check else None,
        claimed_by=claim.who if claim else None,
        standing=standing_out(standing),
        last_run=newest.id if newest else None,
        dialect=station.dialect,
        baud=station.baud,
        frame=str(station.frame),
        logic=station.logic,
        href=f"{BASE}/stations/{station.name}",
    )


def _last_check(check: LastCheck) -> dict[str, Any]:
    return {**asdict(check), "href": run_href(check.run)}


def _worker_out(worker: Worker) -> WorkerOut:
    silent_s = round(min(worker.silent_s, 1e9), 1)
    return WorkerOut(id=worker.id, host=worker.host, alive=worker.alive, silent_s=silent_s)


def plan_out(plan: Plan) -> PlanOut:
    return PlanOut(name=plan.name, about=plan.about, payload_hex=plan.payload.hex())


def _row(run: Run) -> dict[str, Any]:
    names = set(RunRow.model_fields) - {"href"}
    return {name: getattr(run, name) for name in names} | {"href": run_href(run.id)}
