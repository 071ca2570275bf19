"""The one place that chooses: everything is built here from the settings, nothing at import.

Keyword arguments replace parts in tests. The instrument side and the report are imported when the first run
needs them, so that the service is up at once and a command that needs neither never loads them.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from drivers.scope.capture import Capture
from service.access.access import Access
from service.check.work import check_work
from service.database import Database
from service.doing import Hands
from service.durable import DurableEngine
from service.engine import Engine, Post
from service.hooks import RunHooks
from service.intake import Intake
from service.journal import Journal
from service.locks import StationLocks
from service.pipeline.trace import Shot
from service.repeats import Repeats
from service.report.meta import ReportMeta
from service.retention import Retention
from service.room.keeper import Keeper
from service.room.morning_plan import MorningPlan, read_morning
from service.room.room import Room, room_of
from service.run_record import Clock, Run, timestamp, utc_now
from service.runs import (
    EchoTest,
    PackCapture,
    Performed,
    RenderReport,
    StopSignal,
    Tools,
    Work,
    perform,
)
from service.scheduler import Scheduler, read_schedules
from service.settings import Settings, bind_address
from service.stations import Station, load_stations, station_named
from service.store import RunStore
from service.whole_files import made_folder
from service.workers import Workers, name_for, worker_id

log = logging.getLogger(__name__)

PATIENCE_S = 60.0
"""How long a run waits for a database that is away, before it is left to be taken up later."""


@dataclass(frozen=True)
class Wiring:
    """All parts of a service, ready to start."""

    settings: Settings
    stations: tuple[Station, ...]
    store: RunStore
    journal: Journal
    tools: Tools
    engine: Engine
    intake: Intake
    scheduler: Scheduler
    retention: Retention
    room: Room
    keeper: Keeper
    access: Access
    stations_file: Path | None = None
    """Where the stations stand, unless they were handed over."""

    def start(self) -> None:
        """Begin to work. A second call does nothing. Raises as `Engine.start` and `Scheduler.start` do."""
        made_folder(self.settings.data)  # with PostgreSQL nothing else makes it before the first run
        self.engine.start()
        self.scheduler.start()
        self.retention.start()
        self.keeper.start()

    def close(self) -> None:
        """End in order; what is unfinished goes on at the next start."""
        self.keeper.close()
        self.retention.close()
        self.scheduler.close()
        self.engine.close()
        self.store.database.close()

    def station(self, name: str) -> Station:
        """UnknownStation names the nearest."""
        return station_named(self.stations, name)


def build(
    settings: Settings,
    *,
    stations: Sequence[Station] | None = None,
    echo_test: EchoTest | None = None,
    render_report: RenderReport | None = None,
    pack_capture: PackCapture | None = None,
    work: Mapping[str, Work] | None = None,
    make_idle: Callable[[Station], None] | None = None,
    post: Post | None = None,
    morning: MorningPlan | None = None,
    clock: Clock = utc_now,
) -> Wiring:
    """Raises BadStationsFile; touches no instrument and starts nothing."""
    known = tuple(load_stations(settings.stations) if stations is None else stations)
    store = RunStore(Database(settings.database_url), settings.data)
    journal = Journal(store, clock)
    tools = Tools(
        journal=journal,
        locks=StationLocks(settings.locks, settings.lock_wait_s),
        work={
            "echo-test": echo_work(echo_test or _echo_test),
            "check": check_work(store, clock, settings.checks_at_once),
            **(work or {}),
        },
        render_report=render_report or _render_report,
        pack_capture=pack_capture or _pack_capture,
        read_capture=_read_capture,
    )

    patient = replace(tools, journal=journal.patient(PATIENCE_S))
    scopes = {s.name: s for s in known}

    def do(run: Run, stop: StopSignal) -> Performed:
        return perform(run, scopes[run.station], patient, stop=stop)

    engine = DurableEngine(
        journal,
        Hands(
            perform=do,
            hold=lambda name, given_up: tools.locks.holding(name, scopes[name].scope, cancelled=given_up),
            make_idle=lambda name: (make_idle or idle_maker(store, clock))(scopes[name]),
            limit_s=settings.run_limit_s,
        ),
        Workers(store.database, clock),
        post or post_of(settings),
        jobs_url=settings.jobs_url,
        stations=frozenset(scopes),
        queue_max=settings.queue_max,
        patience_s=PATIENCE_S,
    )
    repeats = Repeats(store, settings.key_hours, clock)
    intake = Intake(known, journal, repeats, engine)
    tables = read_schedules(settings.stations) if stations is None else []
    plan = morning or (read_morning(settings.stations) if stations is None else None)
    tables += plan.schedules() if plan else []
    scheduler = Scheduler(store.database, intake, clock, tuple(tools.work), tables)
    retention = Retention(store, settings.keep_days, clock, engine.forget)
    room = room_of(store, known, clock, plan)
    access = access_of(settings, store.database, clock)
    return Wiring(
        settings,
        known,
        store,
        journal,
        tools,
        engine,
        intake,
        scheduler,
        retention,
        room,
        Keeper(room, engine),
        access,
        settings.stations if stations is None else None,
    )


def access_of(settings: Settings, database: Database, clock: Clock = utc_now) -> Access:
    """Open to everybody on this machine only where nobody else can come in, directly or through a proxy."""
    alone = bind_address(settings.host)[1] and not settings.names and not settings.proxies
    return Access(database, clock, settings.rate_per_minute, may_be_open=alone)


def post_of(settings: Settings, stations: Sequence[str] | None = None, name: str | None = None) -> Post:
    """What this process is: a service that does all runs, one that only takes requests, or a worker."""
    embedded = settings.database_url.startswith("sqlite")
    serves = stations is None and name is None
    return Post(
        worker=worker_id(name or name_for(stations)),
        stations=None if stations is None else tuple(stations),
        works=not serves or settings.worker,
        sole_folder=settings.data if serves and embedded else None,
        locks=settings.locks,
    )


def echo_work(echo_test: EchoTest) -> Work:
    """On the limits of the plan, where one was asked for."""
    return lambda station, run, hooks: echo_test(station.on_plan(run.request.get("plan")), run.payload, hooks)


def _echo_test(station: Station, payload: bytes, hooks: RunHooks) -> dict[str, Any]:
    from service.echo_test import run_echo_test

    return run_echo_test(station, payload, hooks)


def _render_report(document: Mapping[str, Any], shots: Sequence[Shot], meta: ReportMeta) -> str:
    from service.report import render_report

    return render_report(document, shots, meta)


def _pack_capture(capture: Capture) -> bytes:
    from service.files.npz import capture_to_bytes

    return capture_to_bytes(capture)


def _read_capture(path: Path) -> Capture:
    from service.files.npz import read_capture

    return read_capture(path)


def idle_maker(store: RunStore, clock: Clock) -> Callable[[Station], None]:
    """The driver leaves a scope idle when it lets go of it; one that is not there cannot be armed."""

    def make_idle(station: Station) -> None:
        import drivers
        from service.panel import name_of

        try:
            with drivers.open_scope(station.scope, station.dialect) as scope:
                name, switched_on = name_of(station, scope), scope.switched_on
        except drivers.DriverError as error:
            log.warning("the scope of %s could not be put to rest: %s", station.name, error)
        else:
            if switched_on:  # it says so only once, and no run has heard it
                store.visits.seen_on(name, timestamp(clock()))

    return make_idle
