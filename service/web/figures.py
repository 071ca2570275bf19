"""Figures of the whole service in OpenMetrics, computed from the database: any process gives the same ones.

What has happened is told of the last hour, as gauges: counters kept in a process would differ from one
process to the next and start anew with each.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from datetime import timedelta
from typing import Any

import sqlalchemy as sa
from prometheus_client.core import (
    GaugeHistogramMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry

from drivers.errors import DriverError
from service import tables as t
from service.check.document import OUTCOMES as STANDINGS
from service.errors import OUTCOMES, problem_type
from service.run_record import MOVES, moment_of, timestamp
from service.wiring import Wiring

__all__ = ["CONTENT_TYPE_LATEST", "figures"]

WINDOW = timedelta(hours=1)
BUCKETS_S = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
INSTRUMENT_TYPES = tuple(
    problem_type(outcome.name) for kind, outcome in OUTCOMES.items() if issubclass(kind, DriverError)
)
INSTRUMENT_CODES = ("instrument-error", "link-silent", "identity-changed", "self-test-failed")
"""Findings that say the same of a run that came to an end all the same."""


def figures(wiring: Wiring, version: str) -> bytes:
    """All figures as of now. DatabaseAway."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Figures(list(_all(wiring, version))))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return text


class _Figures(Collector):
    """Figures that were gathered before, so that an error is raised where it can be answered."""

    def __init__(self, found: list[Metric]) -> None:
        self._found = found

    def describe(self) -> Iterable[Metric]:
        return ()

    def collect(self) -> Iterable[Metric]:
        return self._found


def _all(wiring: Wiring, version: str) -> Iterator[Metric]:
    names = [station.name for station in wiring.stations]
    since = timestamp(wiring.journal.clock() - WINDOW)
    yield InfoMetricFamily("benchwarden_build", "Which program answers.", {"version": version})
    with wiring.store.database.reading() as connection:
        yield _runs(connection)
        yield _queues(connection, names)
        yield _steps(connection, since)
        yield _instrument_errors(connection, since, names)
    workers = wiring.engine.workers_of(names)
    alive = _gauge("benchwarden_worker_alive", "1: somebody does the runs of the station.", "station")
    for name in names:
        alive.add_metric([name], float(name in workers and workers[name].alive))
    yield alive
    yield from _standings(wiring, names)


def _runs(connection: sa.Connection) -> Metric:
    """Every state is there, also where nothing is in it."""
    columns = (t.runs.c.kind, t.runs.c.state, t.runs.c.verdict)
    query = sa.select(*columns, sa.func.count()).group_by(*columns)
    counts: dict[tuple[str, ...], int] = {("echo-test", state, ""): 0 for state in MOVES}
    for kind, state, verdict, count in connection.execute(query):
        counts[(kind, state, verdict or "")] = count
    found = _gauge("benchwarden_runs", "Runs that are kept.", "kind", "state", "verdict")
    for labels, count in sorted(counts.items()):
        found.add_metric(labels, count)
    return found


def _queues(connection: sa.Connection, names: Iterable[str]) -> Metric:
    waiting = (t.runs.c.state == "queued") & (t.runs.c.origin == "service")
    query = sa.select(t.runs.c.station, sa.func.count()).where(waiting).group_by(t.runs.c.station)
    lengths: dict[str, int] = dict.fromkeys(names, 0)
    lengths.update((row[0], row[1]) for row in connection.execute(query))
    found = _gauge("benchwarden_queue_length", "Runs that wait for the station.", "station")
    for name, length in lengths.items():
        found.add_metric([name], length)
    return found


def _steps(connection: sa.Connection, since: str) -> Metric:
    """From the runs' own events: a step lasts until the next one begins, or the run's state changes."""
    recent = sa.select(t.runs.c.id).where(t.runs.c.finished_at >= since)
    query = sa.select(t.events.c.run_id, t.events.c.body).where(t.events.c.run_id.in_(recent))
    seconds: dict[str, list[float]] = defaultdict(list)
    by_run: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for run_id, body in connection.execute(query.order_by(t.events.c.run_id, t.events.c.number)):
        by_run[run_id].append(body)
    for events in by_run.values():
        for step, lasted in steps_of(events).items():
            seconds[step].append(lasted)
    found = GaugeHistogramMetricFamily(
        "benchwarden_step_duration_seconds",
        "Time at each step of the runs of the last hour.",
        labels=["step"],
        unit="seconds",
    )
    for step, times in sorted(seconds.items()):
        bounds = [(str(b), float(sum(s <= b for s in times))) for b in BUCKETS_S]
        found.add_metric([step], [*bounds, ("+Inf", float(len(times)))], sum(times))
    return found


def steps_of(events: Iterable[Mapping[str, Any]]) -> dict[str, float]:
    """Seconds at each step of one run, from its events in their order."""
    lasted: dict[str, float] = {}
    step, began = None, None
    for event in events:
        if event["event"] not in ("progress", "state"):
            continue
        at = moment_of(event["at"], "at")
        if step is not None and began is not None:
            lasted[step] = lasted.get(step, 0.0) + max((at - began).total_seconds(), 0.0)
        step, began = event.get("step"), at
    return lasted


def _instrument_errors(connection: sa.Connection, since: str, names: Iterable[str]) -> Metric:
    """Runs that ended in one, and findings that name one."""
    recent = t.runs.c.finished_at >= since
    ended = sa.select(t.runs.c.station, t.runs.c.error).where(recent, t.runs.c.state == "error")
    counts: Counter[tuple[str, str]] = Counter()
    for station, error in connection.execute(ended):
        if error and error.get("type") in INSTRUMENT_TYPES:
            counts[station, str(error["type"]).rsplit("/", 1)[-1]] += 1
    named = (
        sa.select(t.findings.c.station, t.findings.c.code, sa.func.count())
        .where(t.findings.c.at >= since, t.findings.c.code.in_(INSTRUMENT_CODES))
        .group_by(t.findings.c.station, t.findings.c.code)
    )
    for station, code, count in connection.execute(named):
        counts[station, code] += count
    found = _gauge(
        "benchwarden_instrument_errors",
        "Errors of instruments and links in the last hour.",
        "station",
        "type",
    )
    for name in names:
        for station, kind in sorted(key for key in counts if key[0] == name) or [(name, "any")]:
            found.add_metric([station, kind], counts[station, kind])
    return found


def _standings(wiring: Wiring, names: Iterable[str]) -> Iterator[Metric]:
    checked = _gauge(
        "benchwarden_last_check_timestamp_seconds", "When the station was last checked.", "station"
    )
    may = StateSetMetricFamily(
        "benchwarden_station_outcome", "What the station may be used for now.", labels=["station"]
    )
    for name, standing in wiring.room.standings.of(names).items():
        if standing.check is not None:
            checked.add_metric([name], moment_of(standing.check.checked_at, "checked_at").timestamp())
        may.add_metric([name], {outcome: outcome == standing.outcome for outcome in STANDINGS})
    yield checked
    yield may


def _gauge(name: str, about: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, about, labels=list(labels))
