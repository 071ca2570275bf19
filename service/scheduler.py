"""Keeps schedules and serves them: one row for each moment makes sure that nobody serves it twice."""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service import tables as t
from service.access.audit import Audit
from service.database import Database
from service.errors import BadInput, BadStationsFile, Conflict, DatabaseAway, NotFound, ServiceError
from service.intake import Intake, echo_request
from service.logs import about
from service.plans import Send
from service.run_record import Clock, moment_of, timestamp
from service.schedules import LATE, Schedule, schedule_from
from service.stations import station_named
from service.toml_tables import Place, read_toml

log = logging.getLogger(__name__)

TICK_S = 1.0


class Scheduler:
    """Schedules of the stations file and of requests, in one table."""

    def __init__(
        self,
        database: Database,
        intake: Intake,
        clock: Clock,
        kinds: Sequence[str],
        from_file: Sequence[Mapping[str, Any]] = (),
    ) -> None:
        self._database = database
        self._intake = intake
        self._clock = clock
        self._audit = Audit(database, clock)
        self._kinds = tuple(kinds)
        self._from_file = tuple(from_file)
        self._names = tuple(station.name for station in intake.stations)
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Take over the file's schedules and begin. A second call does nothing. BadStationsFile."""
        if self._thread is None:
            self.take_over_file()
            self._thread = threading.Thread(target=self._keep, name="scheduler", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Serve nothing more."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(timeout=10)

    def check(self, document: Mapping[str, Any]) -> Schedule:
        """A schedule as it would be kept. BadInput."""
        return schedule_from(document, self._kinds, self._names)

    def take_over_file(self) -> None:
        """What stands in the stations file counts from now on; what stood there and is gone, does not."""
        try:
            wanted = {s.name: s for s in map(self.check, self._from_file)}
        except BadInput as error:
            raise BadStationsFile(f"a schedule of the stations file: {error}") from None
        with self._database.changing() as connection:
            of_file = t.schedules.c.source == "file"
            gone = sa.delete(t.schedules).where(of_file, t.schedules.c.name.not_in(list(wanted)))
            connection.execute(gone)
            for schedule in wanted.values():
                self._write(connection, schedule, "file")

    def all(self) -> list[tuple[Schedule, str]]:
        """Every schedule with its source, "file" or "http", by name."""
        with self._database.reading() as connection:
            rows = connection.execute(sa.select(t.schedules).order_by(t.schedules.c.name)).all()
        return [(_schedule(row), row.source) for row in rows]

    def one(self, name: str) -> tuple[Schedule, str]:
        """NotFound names those that there are."""
        known = self.all()
        for schedule, source in known:
            if schedule.name == name:
                return schedule, source
        there = ", ".join(schedule.name for schedule, _ in known) or "none"
        raise NotFound(f"no schedule {name[:80]!r}; there are {there}")

    def put(self, schedule: Schedule) -> None:
        """Make or change it. Conflict when it stands in the stations file."""
        with self._database.changing() as connection:
            self._require_own(connection, schedule.name)
            self._write(connection, schedule, "http")

    def remove(self, name: str) -> None:
        """NotFound; Conflict when it stands in the stations file."""
        self.one(name)
        with self._database.changing() as connection:
            self._require_own(connection, name)
            connection.execute(sa.delete(t.schedules).where(t.schedules.c.name == name))

    def tick(self) -> None:
        """Serve what is due. DatabaseAway."""
        now = self._clock()
        with self._database.reading() as connection:
            rows = connection.execute(sa.select(t.schedules)).all()
            served = sa.select(t.firings.c.schedule, sa.func.max(t.firings.c.due_at)).group_by(
                t.firings.c.schedule
            )
            last: dict[str, str] = {row[0]: row[1] for row in connection.execute(served)}
        for row in rows:
            schedule = _schedule(row)
            since = max(row.changed_at, last.get(schedule.name, ""))
            due = list(schedule.moments(moment_of(since, "since"), now)) if schedule.enabled else []
            for moment, serve in _decided(schedule, due, now):
                self._serve(schedule, moment, serve)

    def _serve(self, schedule: Schedule, moment: datetime, serve: bool) -> None:
        """Runs first, then the row: after a crash between the two, the key makes the same runs of it."""
        if serve:
            for name in schedule.stations_of(self._names):
                self._ask(schedule, name, timestamp(moment))
        row = {
            "schedule": schedule.name,
            "due_at": timestamp(moment),
            "what": "run" if serve else "skipped",
        }
        try:
            with self._database.changing() as connection:
                connection.execute(sa.insert(t.firings).values(row))
                told = {"due_at": row["due_at"]}
                self._audit.add_within(
                    connection, "service", "schedule served", schedule.name, "", row["what"], told
                )
        except sa.exc.IntegrityError:
            return  # another process has served it, by the same keys
        log.info("schedule %s: %s at %s", schedule.name, row["what"], row["due_at"])

    def _ask(self, schedule: Schedule, station: str, due_at: str) -> None:
        at = station_named(self._intake.stations, station)
        request = echo_request(at, Send(**schedule.send)) if schedule.kind == "echo-test" else {}
        key = f'"schedule {schedule.name} {due_at} {station}"'
        try:
            self._intake.request(
                schedule.kind, at, request, key, schedule=schedule.name, priority=schedule.priority
            )
        except DatabaseAway:
            raise
        except ServiceError as error:
            with about(station=station):
                log.warning("schedule %s: %s", schedule.name, error)

    def _write(self, connection: sa.Connection, schedule: Schedule, source: str) -> None:
        """An unchanged one keeps its time of change: moments that were missed meanwhile still count."""
        mine = t.schedules.c.name == schedule.name
        body = schedule.as_document()
        now = connection.execute(sa.select(t.schedules).where(mine)).first()
        if now is not None and (now.body, now.source) == (body, source):
            return
        connection.execute(sa.delete(t.schedules).where(mine))
        row = {"name": schedule.name, "source": source, "body": body, "changed_at": timestamp(self._clock())}
        connection.execute(sa.insert(t.schedules).values(row))

    def _require_own(self, connection: sa.Connection, name: str) -> None:
        source = connection.execute(
            sa.select(t.schedules.c.source).where(t.schedules.c.name == name)
        ).scalar()
        if source == "file":
            raise Conflict(f"schedule {name!r} stands in the stations file: change it there")

    def _keep(self) -> None:
        while not self._ending.wait(TICK_S):
            try:
                self.tick()
            except DatabaseAway as error:
                log.warning("%s", error)
            except Exception:
                log.exception("a mistake in the scheduler")


def _schedule(row: sa.Row[Any]) -> Schedule:
    return Schedule(**{**row.body, "stations": tuple(row.body["stations"])})


def _decided(schedule: Schedule, due: Sequence[datetime], now: datetime) -> list[tuple[datetime, bool]]:
    """Each moment, and whether it is served: those in time, and of the missed ones as the schedule says."""
    in_time = [moment for moment in due if now.astimezone(UTC) - moment <= LATE]
    missed = due[: len(due) - len(in_time)]
    made_up = missed[-1:] if schedule.missed == "once" and not in_time else []
    return [(moment, moment in in_time or moment in made_up) for moment in due]


SCHEDULE_KEYS = ("name", "cron", "stations", "zone", "run", "send", "missed", "priority", "enabled")


def read_schedules(path: Path) -> list[dict[str, Any]]:
    """The [[schedule]] tables of a stations file as documents, `run` there being `kind`. BadStationsFile."""
    where = Place(str(path))
    tables = read_toml(path).get("schedule", [])
    if not isinstance(tables, list):
        raise where.wrong("schedules are written as [[schedule]], with two brackets")
    for number, table in enumerate(tables, 1):
        at = replace(where, table=f"schedule {number}")
        at.table_of(table, SCHEDULE_KEYS)
        for key, words in (("name", "a name"), ("cron", 'such as "30 7 * * 1-5"')):
            at.text(table, key, words)
        at.value(table, "stations", list, 'a list of names or patterns such as ["north-*"]')
    return [{("kind" if k == "run" else k): value for k, value in table.items()} for table in tables]
