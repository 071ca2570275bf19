"""The HTTP face, made from a wiring. Nothing is built at import."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import PackageNotFoundError, version

import anyio
from fastapi import FastAPI

from service.web import analyses, checks, cursors, events, health, items, runs, schedules, stations
from service.web.dependencies import problems
from service.web.guard import Guard
from service.web.models import BASE, Problem
from service.web.problems import add_problem_handlers
from service.wiring import Wiring

JSON_MAX_BYTES = 64 << 10
"""The longest payload in hex, four times over."""
LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "::1"})


def create_app(wiring: Wiring) -> FastAPI:
    """The app; its lifespan starts and closes the engine."""
    app = FastAPI(
        title="Benchwarden",
        summary="Proves the stations of a microcontroller lab and judges serial echo firmware with evidence.",
        version=_version(),
        lifespan=_lifespan,
        docs_url=None,  # those pages load scripts from elsewhere, and labs are offline
        redoc_url=None,
        redirect_slashes=False,
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
    )
    app.state.wiring = wiring
    add_problem_handlers(app)
    hosts = LOOPBACK_NAMES | {wiring.settings.host}
    app.add_middleware(
        Guard,
        hosts=hosts,
        json_max_bytes=JSON_MAX_BYTES,
        upload_max_bytes=wiring.settings.upload_max_bytes,
        upload_paths=frozenset({f"{BASE}/analyses"}),
    )
    for part in (stations, checks, runs, cursors, events, schedules, items, analyses):
        app.include_router(part.router, prefix=BASE)
    app.include_router(health.router)
    _describe_problems(app)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    wiring: Wiring = app.state.wiring
    app.state.judging = anyio.CapacityLimiter(analyses.AT_ONCE)
    await anyio.to_thread.run_sync(wiring.engine.start)
    await anyio.to_thread.run_sync(wiring.intake.repeats.forget_old)
    try:
        yield
    finally:
        wiring.journal.close()
        await anyio.to_thread.run_sync(wiring.engine.close)


def _describe_problems(app: FastAPI) -> None:
    """Routes refer to the problem's schema by name; none returns it as a model."""
    generate = app.openapi

    def openapi() -> dict[str, object]:
        document = generate()
        schemas = document.setdefault("components", {}).setdefault("schemas", {})
        schemas.setdefault("Problem", Problem.model_json_schema())
        for call in (call for item in document["paths"].values() for call in item.values()):
            if "422" in call["responses"]:
                call["responses"] |= {str(code): answer for code, answer in problems(422).items()}
        for name in ("HTTPValidationError", "ValidationError"):
            schemas.pop(name, None)
        return document

    app.openapi = openapi  # type: ignore[method-assign]


def _version() -> str:
    try:
        return version("benchwarden")
    except PackageNotFoundError:  # run from a checkout that was never installed
        return "0"
