"""The HTTP face, made from a wiring. Nothing is built at import."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import PackageNotFoundError, version

import anyio
from fastapi import Depends, FastAPI
from fastapi.routing import APIRoute

from service.settings import bind_address
from service.web import (
    analyses,
    audit,
    checks,
    claims,
    cursors,
    entry,
    events,
    health,
    history,
    items,
    mornings,
    runs,
    schedules,
    session,
    stations,
    statistics,
    tokens,
)
from service.web.dependencies import require_rule
from service.web.description import describe
from service.web.door import Door
from service.web.guard import Guard
from service.web.head import HeadToo
from service.web.models import BASE
from service.web.problems import add_problem_handlers
from service.web.rules import Rules
from service.wiring import Wiring

JSON_MAX_BYTES = 64 << 10
"""The longest payload in hex, four times over."""
LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "::1"})
UNDER_BASE = (
    stations,
    checks,
    runs,
    cursors,
    events,
    schedules,
    items,
    claims,
    history,
    mornings,
    statistics,
    analyses,
    session,
    tokens,
    audit,
)
AT_THE_ROOT = (health, entry)
"""Every part of the interface; each of its routes needs a row in rules.py."""


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
        dependencies=[Depends(require_rule)],
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
    )
    app.state.wiring = wiring
    add_problem_handlers(app)
    app.add_middleware(Door, access=wiring.access, store=wiring.store, rules=Rules(calls_of_all_parts()))
    app.add_middleware(HeadToo)
    app.add_middleware(
        Guard,
        hosts=LOOPBACK_NAMES | {wiring.settings.host.lower(), *wiring.settings.names},
        json_max_bytes=JSON_MAX_BYTES,
        upload_max_bytes=wiring.settings.upload_max_bytes,
        upload_paths=frozenset({f"{BASE}/analyses"}),
        form_paths=frozenset({"/enter"}),
        any_ip=not bind_address(wiring.settings.host)[1],
    )
    for part in UNDER_BASE:
        app.include_router(part.router, prefix=BASE)
    for part in AT_THE_ROOT:
        app.include_router(part.router)
    describe(app)
    return app


def calls_of_all_parts() -> list[tuple[str, str]]:
    """(method, address) of every route, in the order in which the app looks through them."""
    calls = [("GET", "/openapi.json"), ("HEAD", "/openapi.json")]
    for parts, prefix in ((UNDER_BASE, BASE), (AT_THE_ROOT, "")):
        for route in (route for part in parts for route in part.router.routes):
            assert isinstance(route, APIRoute), f"{route} is no route of its own: add its router to the app"
            calls += [(method, prefix + route.path) for method in sorted(route.methods or ())]
    return calls


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


def _version() -> str:
    try:
        return version("benchwarden")
    except PackageNotFoundError:  # run from a checkout that was never installed
        return "0"
