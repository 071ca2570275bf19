"""The one place that chooses: everything is built here from the settings, nothing at import.

Keyword arguments replace parts in tests. The instrument side and the report are imported when the first run
needs them, so that the service is up at once and a command that needs neither never loads them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.scope.capture import Capture
from service.database import Database
from service.engine import Engine, InProcessEngine
from service.hooks import RunHooks
from service.intake import Intake
from service.journal import Journal
from service.locks import StationLocks
from service.pipeline.trace import Shot
from service.repeats import Repeats
from service.report.meta import ReportMeta
from service.run_record import Clock, Run, utc_now
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
from service.settings import Settings
from service.stations import Station, load_stations, station_named
from service.store import RunStore


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
    clock: Clock = utc_now,
) -> Wiring:
    """Raises BadStationsFile; touches no instrument and starts nothing."""
    known = tuple(load_stations(settings.stations) if stations is None else stations)
    store = RunStore(Database(settings.database_url), settings.data)
    journal = Journal(store, clock)
    tools = Tools(
        journal=journal,
        locks=StationLocks(settings.locks, settings.lock_wait_s),
        work={"echo-test": _echo_work(echo_test or _echo_test), **(work or {})},
        render_report=render_report or _render_report,
        pack_capture=pack_capture or _pack_capture,
        read_capture=_read_capture,
    )

    def do(run: Run, stop: StopSignal) -> Performed:
        return perform(run, station_named(known, run.station), tools, stop=stop)

    engine = InProcessEngine(
        journal,
        do,
        stations=frozenset(s.name for s in known),
        folder=settings.data,
        queue_max=settings.queue_max,
    )
    repeats = Repeats(store, settings.key_hours, clock)
    return Wiring(settings, known, store, journal, tools, engine, Intake(known, journal, repeats, engine))


def _echo_work(echo_test: EchoTest) -> Work:
    return lambda station, run, hooks: echo_test(station, run.payload, hooks)


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
