"""Who does the runs of which station: workers say that they live, and take stations for themselves.

A worker without stations of its own does the runs of all that no other worker has taken. A station stays with
its worker while that is away: only its bench PC reaches its scope. An operator can release it (`release`).
"""

from __future__ import annotations

import hashlib
import os
import re
import socket
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service import tables as t
from service.database import Database
from service.errors import StationTaken, WorkerRuns
from service.locks import held_file
from service.run_record import Clock, timestamp, utc_now

ALL = "all"
"""The pool of jobs of all stations that no worker has taken."""
BEAT_S = 5.0
GONE_S = 20.0
"""A worker that was not heard of for so long counts as gone; within 30 s it shows."""


@dataclass(frozen=True)
class Worker:
    """A worker as the others see it."""

    id: str
    host: str
    pid: int
    stations: tuple[str, ...] | None
    """None: all that no other worker has."""
    started_at: str
    silent_s: float
    """How long it has not been heard of."""

    @property
    def alive(self) -> bool:
        return self.silent_s < GONE_S


def worker_id(name: str) -> str:
    """Host and name: the same after a restart, so that it takes up what it left behind."""
    return f"{socket.gethostname()}/{name}"


def name_for(stations: Sequence[str] | None) -> str:
    """A worker's name when none was given: the same stations make the same name."""
    if stations is None:
        return "serve"
    digest = hashlib.sha256("\n".join(sorted(stations)).encode()).hexdigest()[:8]
    return f"{re.sub(r'[^A-Za-z0-9._-]', '-', stations[0])}-{digest}"


@contextmanager
def sole(worker: str, url: str, folder: Path) -> Iterator[None]:
    """Be the only process of this host with that worker id while the block runs. WorkerRuns."""
    digest = hashlib.sha256(f"{url}\n{worker}".encode()).hexdigest()[:16]
    with held_file(folder / f"worker-{digest}.lock") as held:
        if not held:
            raise WorkerRuns(f"worker {worker} runs already on this host; give this one another --name")
        yield


@dataclass(frozen=True)
class Workers:
    """The workers of one database."""

    database: Database
    clock: Clock = utc_now

    def begin(self, worker: str, stations: Sequence[str] | None) -> list[str]:
        """Say that this process is that worker, and take its stations; returns those that were not its own.

        Raises:
            StationTaken: a living worker has one of them.
        """
        alive = {w.id for w in self.all() if w.alive}
        with self.database.changing() as connection:
            taken = self._taken(connection)
            for station in stations or ():
                if taken.get(station, worker) != worker and taken[station] in alive:
                    raise StationTaken(
                        f"station {station} is done by worker {taken[station]}, which is alive: stop it first"
                    )
            self._say(connection, worker, stations)
            columns = t.attachments.c
            mine = (columns.worker == worker) | columns.station.in_(stations or ())
            connection.execute(sa.delete(t.attachments).where(mine))
            if stations:
                rows = [{"station": name, "worker": worker} for name in stations]
                connection.execute(sa.insert(t.attachments), rows)
        return [name for name in stations or () if taken.get(name) != worker]

    def beat(self, worker: str) -> None:
        """Say that the worker lives."""
        with self.database.changing() as connection:
            now = self.database.now(connection)
            connection.execute(sa.update(t.workers).where(t.workers.c.id == worker).values(seen_at=now))

    def end(self, worker: str) -> None:
        """Say that the worker has ended; its stations stay its own."""
        with self.database.changing() as connection:
            connection.execute(sa.update(t.workers).where(t.workers.c.id == worker).values(seen_at=0.0))

    def release(self, station: str) -> None:
        """Give the station back to whoever does all others."""
        with self.database.changing() as connection:
            connection.execute(sa.delete(t.attachments).where(t.attachments.c.station == station))

    def all(self) -> list[Worker]:
        """Every worker that was ever heard of, by id."""
        with self.database.reading() as connection:
            now = self.database.now(connection)
            rows = connection.execute(sa.select(t.workers).order_by(t.workers.c.id)).all()
        return [_worker(row, now) for row in rows]

    def of(self, stations: Iterable[str]) -> dict[str, Worker]:
        """Who does the runs of each station; stations for which there is nobody are left out."""
        known = {w.id: w for w in self.all()}
        general = sorted((w for w in known.values() if w.stations is None), key=lambda w: w.silent_s)
        with self.database.reading() as connection:
            taken = self._taken(connection)
        found = {}
        for name in stations:
            if name in taken and taken[name] in known:
                found[name] = known[taken[name]]
            elif general:
                found[name] = general[0]
        return found

    def alive(self, worker: str | None) -> bool:
        """Whether that worker was heard of lately."""
        return any(w.id == worker and w.alive for w in self.all())

    def pool_of(self, station: str) -> str:
        """Where jobs for the station are to be put."""
        with self.database.reading() as connection:
            worker = self._taken(connection).get(station)
        return pool_named(worker) if worker else ALL

    def _taken(self, connection: sa.Connection) -> dict[str, str]:
        return {row.station: row.worker for row in connection.execute(sa.select(t.attachments))}

    def _say(self, connection: sa.Connection, worker: str, stations: Sequence[str] | None) -> None:
        row = {
            "id": worker,
            "host": socket.gethostname(),
            "pid": os.getpid(),
            "stations": None if stations is None else list(stations),
            "started_at": timestamp(self.clock()),
            "seen_at": self.database.now(connection),
        }
        connection.execute(sa.delete(t.workers).where(t.workers.c.id == worker))
        connection.execute(sa.insert(t.workers).values(row))


def pool_named(worker: str) -> str:
    """The pool of a worker that has stations of its own."""
    return f"of {worker}"


def _worker(row: sa.Row[Any], now: float) -> Worker:
    return Worker(
        id=row.id,
        host=row.host,
        pid=row.pid,
        stations=None if row.stations is None else tuple(row.stations),
        started_at=row.started_at,
        silent_s=max(0.0, now - row.seen_at),
    )
