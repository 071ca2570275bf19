"""Routes of the runs: lists, one run, its evidence, its report, and stopping it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request, Response, status
from fastapi.responses import FileResponse, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from service.access.caller import Caller
from service.exports import capture_as
from service.run_record import moment_of
from service.run_rows import RunFilter
from service.web.dependencies import Asking, Parts, problems
from service.web.models import AnswerIn, Kind, RunOut, RunRow, State, Verdict, run_out, run_row

router = APIRouter(tags=["runs"])

RunId = Annotated[str, Path(examples=["20270112-063108-250000-3f9a1c2e"])]
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox"
)
"""A report is drawn and styled in its own file and runs no script."""


class RunQuery(BaseModel):
    """Filters of the list; one that is misspelt is refused, since it would give a wrong answer."""

    model_config = ConfigDict(extra="forbid")
    station: str | None = None
    kind: Kind | None = None
    state: State | None = None
    verdict: Verdict | None = None
    since: Annotated[str | None, Field(description="RFC 3339.", examples=["2027-01-12T06:00:00Z"])] = None
    before: Annotated[str | None, Field(description="A run's id: the list goes on after it.")] = None
    limit: Annotated[int, Field(ge=1, le=500)] = 50

    def as_filter(self, caller: Caller, stations: Sequence[str]) -> RunFilter:
        """What the caller may see of it. Raises BadQuery for a time that is none."""
        since = moment_of(self.since, "since") if self.since is not None else None
        own = caller.owner if caller.may("runs") == "own" else None
        among = None if caller.stations is None else caller.those_of(stations)
        return RunFilter(self.station, self.kind, self.state, self.verdict, since, self.before, own, among)


@router.get("/runs", summary="Runs, newest first", responses=problems(400, 422))
def list_runs(
    wiring: Parts, caller: Asking, request: Request, response: Response, query: Annotated[RunQuery, Query()]
) -> list[RunRow]:
    """The Link header names the next page (RFC 8288), as long as there is one. A submitter gets its own."""
    wanted = query.as_filter(caller, [s.name for s in wiring.stations])
    runs, more = wiring.store.listing(wanted, query.limit)
    if more:
        following = {**request.query_params, "before": runs[-1].id, "limit": str(query.limit)}
        response.headers["Link"] = f'<{request.url.path}?{urlencode(following)}>; rel="next"'
    return [run_row(run) for run in runs]


@router.get("/runs/{run_id}", summary="One run", responses=problems(404))
def show_run(run_id: RunId, wiring: Parts) -> RunOut:
    """Its state, and its result once it is done."""
    return run_out(wiring.store.read(run_id), wiring)


@router.post(
    "/runs/{run_id}/cancel",
    summary="Stop a run",
    status_code=status.HTTP_202_ACCEPTED,
    responses=problems(404, 409),
)
def cancel_run(run_id: RunId, wiring: Parts) -> RunOut:
    """A waiting run is cancelled at once; one at work leaves the scope idle first, so look again."""
    return run_out(wiring.engine.cancel(run_id), wiring)


@router.post(
    "/runs/{run_id}/continue",
    summary="A person has done the step",
    status_code=status.HTTP_202_ACCEPTED,
    responses=problems(404, 409, 422),
)
def continue_run(run_id: RunId, wiring: Parts, answer: AnswerIn | None = None) -> RunOut:
    """The run goes on where it waited; `waiting_for` said for what."""
    return run_out(wiring.engine.proceed(run_id, (answer or AnswerIn()).as_answer()), wiring)


@router.post(
    "/runs/{run_id}/move",
    summary="Take a run away from a worker that is gone",
    status_code=status.HTTP_202_ACCEPTED,
    responses=problems(404, 409),
)
def move_run(run_id: RunId, wiring: Parts) -> RunOut:
    """Its station, with its queue, goes to the worker that does all others; what was captured is kept."""
    return run_out(wiring.engine.move(run_id), wiring)


@router.get(
    "/runs/{run_id}/captures/{name}",
    summary="A capture of a run",
    response_class=Response,
    responses=problems(
        404,
        422,
        known={200: {"content": {t: {} for t in ("application/octet-stream", "text/csv", "text/plain")}}},
    ),
)
def show_capture(
    run_id: RunId,
    name: Annotated[
        str,
        Path(
            description="n is shot n of the result document, from 0; look-n what was looked at before.",
            examples=["0", "look-0"],
        ),
    ],
    wiring: Parts,
    format: Literal["npz", "csv", "vcd"] = "npz",
) -> Response:
    """npz: as measured, raw codes with their scale; csv: volts; vcd: logic levels and characters."""
    path = wiring.store.capture(run_id, name)
    file_name = f"{run_id}-capture-{name}.{format}"
    if format == "npz":
        return FileResponse(path, media_type="application/octet-stream", filename=file_name)
    at = next((s for s in wiring.stations if s.name == wiring.store.read(run_id).station), None)
    pieces, media_type = capture_as(format, path, at)
    headers = {"Content-Disposition": f'attachment; filename="{file_name}"'}
    return StreamingResponse(pieces, media_type=media_type, headers=headers)


@router.get(
    "/runs/{run_id}/report",
    summary="The report of a run",
    response_class=Response,
    responses=problems(404, known={200: {"content": {"text/html": {}}}}),
)
def show_report(run_id: RunId, wiring: Parts) -> Response:
    """One HTML file that needs nothing else."""
    path = wiring.store.report(run_id)
    return FileResponse(path, media_type="text/html", headers={"Content-Security-Policy": REPORT_POLICY})
