"""Whether the service is alive, and whether it can work; what its problem types mean."""

from __future__ import annotations

import os
import shutil
from typing import Any

from fastapi import APIRouter, Request, Response

from service.database import NEWEST, current
from service.errors import BadStationsFile, NotFound, problem_type
from service.stations import load_stations
from service.web.dependencies import Parts, problems
from service.web.problems import known_problems, problem_response
from service.wiring import Wiring

router = APIRouter(tags=["service"])

LEAST_FREE_BYTES = 100 << 20
"""Room for some tens of captures with their reports."""
RETRY_AFTER_S = 10


@router.get("/healthz", summary="Alive")
def alive() -> dict[str, str]:
    """Answers as long as the process does."""
    return {"status": "ok"}


@router.get("/readyz", summary="Able to work", responses=problems(503))
def ready(wiring: Parts, request: Request) -> Any:
    """200 when runs can be taken and done; else 503, and `missing` says what is not as it should be."""
    missing = _missing(wiring)
    if missing:
        again = {"Retry-After": str(RETRY_AFTER_S)}
        return problem_response(503, "; ".join(missing), request.url.path, headers=again, missing=missing)
    return {"status": "ready", "stations": [station.name for station in wiring.stations]}


@router.get(
    "/metrics",
    summary="Figures in OpenMetrics",
    response_class=Response,
    responses=problems(known={200: {"content": {"application/openmetrics-text": {}}}}),
)
def show_figures(wiring: Parts, request: Request) -> Response:
    """Runs by state and verdict, time by step, queues, instrument errors, last checks; from the database."""
    from service.web.figures import CONTENT_TYPE_LATEST, figures

    return Response(figures(wiring, request.app.version), media_type=CONTENT_TYPE_LATEST)


@router.get("/problems/{name}", summary="What a problem type means", responses=problems(404))
def explain(name: str) -> dict[str, Any]:
    """The `type` of an error is such an address."""
    known = known_problems()
    if name not in known:
        raise NotFound(f"no problem type {name[:80]!r}; there are {', '.join(sorted(known))}")
    outcome, about = known[name]
    return {
        "type": problem_type(name),
        "title": outcome.title,
        "status": outcome.status,
        "exit_code": outcome.exit_code,
        "about": about,
    }


def _missing(wiring: Wiring) -> list[str]:
    """In the order in which a person would mend it."""
    return [*_of_the_disk(wiring), *_of_the_database(wiring), *_of_the_stations(wiring), *_of_workers(wiring)]


def _of_the_disk(wiring: Wiring) -> list[str]:
    folder = wiring.settings.data
    missing = []
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        missing.append(f"the data folder {folder} cannot be written to")
    elif (free := shutil.disk_usage(folder).free) < LEAST_FREE_BYTES:
        missing.append(
            f"only {free >> 20} MiB are free for {folder}, {LEAST_FREE_BYTES >> 20} MiB are needed"
        )
    return missing


def _of_the_database(wiring: Wiring) -> list[str]:
    """One that does not answer is told by the error of its first use, before this is asked (door.py)."""
    schema = current(wiring.store.database.engine)
    return [] if schema == NEWEST else [f"the database has the schema {schema}, this program needs {NEWEST}"]


def _of_the_stations(wiring: Wiring) -> list[str]:
    """The file as it is now: a restart must not come to grief."""
    if wiring.stations_file is None:
        return []
    try:
        now = load_stations(wiring.stations_file)
    except BadStationsFile as error:
        return [str(error)]
    if now != wiring.stations:
        return [f"{wiring.stations_file} has changed: start the service again"]
    return []


def _of_workers(wiring: Wiring) -> list[str]:
    if not wiring.engine.working:
        return ["the worker is not running"]
    names = [station.name for station in wiring.stations]
    workers = wiring.engine.workers_of(names)
    without = [name for name in names if name not in workers or not workers[name].alive]
    return [f"no worker does the runs of {', '.join(without)}"] if without else []
