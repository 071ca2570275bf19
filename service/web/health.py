"""Whether the service is alive, and whether it can work; what its problem types mean."""

from __future__ import annotations

import os
import shutil
from typing import Any

from fastapi import APIRouter, Request

from service.errors import NotFound, problem_type
from service.web.dependencies import Parts, problems
from service.web.problems import known_problems, problem_response
from service.wiring import Wiring

router = APIRouter(tags=["service"])

LEAST_FREE_BYTES = 100 << 20
"""Room for some tens of captures with their reports."""


@router.get("/healthz", summary="Alive")
def alive() -> dict[str, str]:
    """Answers as long as the process does."""
    return {"status": "ok"}


@router.get("/readyz", summary="Able to work", responses=problems(503))
def ready(wiring: Parts, request: Request) -> Any:
    """200 when runs can be taken; else 503, and `missing` says what is not as it should be."""
    missing = _missing(wiring)
    if missing:
        return problem_response(503, "; ".join(missing), request.url.path, missing=missing)
    return {"status": "ready", "stations": [station.name for station in wiring.stations]}


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
    folder = wiring.settings.data
    missing = []
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        missing.append(f"the data folder {folder} cannot be written to")
    elif (free := shutil.disk_usage(folder).free) < LEAST_FREE_BYTES:
        missing.append(
            f"only {free >> 20} MiB are free for {folder}, {LEAST_FREE_BYTES >> 20} MiB are needed"
        )
    if not wiring.engine.working:
        missing.append("the worker is not running")
    return missing
