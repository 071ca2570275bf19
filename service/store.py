"""Runs in the database, their captures and reports as files beside it.

captures/<ab>/<sha256>.npz   evidence, named by what is in it; there before any row names it
runs/<id>/report.html        where a person looks for it
A run that a job does is changed by that job only: one that was moved away from it gets Superseded.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service import tables as t
from service.blobs import Blobs
from service.database import Database
from service.errors import IllegalMove, StoreFailed, UnknownCapture
from service.own_queue import require_place
from service.room.presence import Claim, open_claims, require_unclaimed
from service.run_record import PRIORITIES, NamedCapture, Run, named_captures
from service.run_rows import (
    ANY,
    COLUMNS,
    RunFilter,
    append_event,
    captures_of,
    read_or_none,
    read_run,
    result_of,
    rows_of_result,
    runs_of,
    update_run,
)
from service.transactions import Transactions
from service.visits import Visits
from service.whole_files import Place, write_whole

PAGE = 200


@dataclass(frozen=True)
class KeptCapture:
    """A capture of a run with what was noted beside it."""

    label: str
    path: Path
    facts: Mapping[str, Any]


class RunStore:
    """All runs of a database. Threads and processes may share it."""

    def __init__(
        self, database: Database, folder: Path, *, patience_s: float = 0.0, rename: Place = os.replace
    ) -> None:
        """`patience_s`: how long a change is tried again while the database does not answer; a worker in the
        middle of a run has patience, a request has none. `rename`: so that tests can cut the power before it.
        """
        self.database = database
        self.folder = folder
        self.blobs = Blobs(folder / "captures", ".npz", rename)
        self._transactions = Transactions(database, patience_s)
        self.visits = Visits(self._transactions)
        self._rename = rename

    def patient(self, seconds: float) -> RunStore:
        """The same store for whoever can wait."""
        return RunStore(self.database, self.folder, patience_s=seconds, rename=self._rename)

    def create(
        self, run: Run, event: Mapping[str, Any] | None = None, *, most_waiting: int | None = None
    ) -> Run:
        """A new run with its first event; at most so many of its owner may wait.

        StoreFailed when there is one of that id; OwnQueueFull.
        """

        def work(connection: sa.Connection) -> Run:
            if most_waiting is not None and run.owner is not None:
                require_place(connection, run.owner, most_waiting)
            row = {name: getattr(run, name) for name in COLUMNS if name != "sequence"}
            connection.execute(sa.insert(t.runs).values({**row, "answers": list(run.answers)}))
            if event is not None:
                append_event(connection, run.id, event)
            return read_run(connection, run.id)

        return self._transactions.change(f"run {run.id}", work, done_before=lambda c: read_or_none(c, run.id))

    def read(self, run_id: str) -> Run:
        """UnknownRun when there is none."""
        return self._transactions.ask(lambda connection: read_run(connection, run_id))

    def move(
        self,
        run_id: str,
        state: str,
        *,
        job: int | None = None,
        only_from: str | None = None,
        now: str | None = None,
        event: Mapping[str, Any] | None = None,
        **changes: Any,
    ) -> Run:
        """Bring the run into another state, with the event that tells so; `only_from` that state, if given.

        `now`: the time at which a person's claim on the station must not forbid it; None: no work begins.

        Raises:
            IllegalMove, UnknownRun, StoreFailed, DatabaseAway;
            Superseded: `job` is no longer the one that may change it;
            StationTaken: another run of the service is at work on the station.
            StationClaimed: somebody else is at the bench.
        """

        def work(connection: sa.Connection) -> Run:
            before = read_run(connection, run_id, job=job, lock=True)
            if only_from not in (None, before.state):
                raise IllegalMove(f"run {run_id} is {before.state} by now, no longer {only_from}")
            run = before.moved(state, **changes)
            if now is not None:
                require_unclaimed(connection, before, now)
            update_run(connection, run_id, state=state, **changes)
            if event is not None:
                append_event(connection, run_id, event)
            return run

        def done_before(connection: sa.Connection) -> Run | None:
            run = read_run(connection, run_id)
            return run if run.state == state else None

        return self._transactions.change(f"run {run_id}", work, done_before=done_before)

    def change(self, run_id: str, change: Callable[[Run], Mapping[str, Any]]) -> Run:
        """Change what is no state; `change` gets the run as it is now and gives the new values, or none."""

        def work(connection: sa.Connection) -> Run:
            values = change(read_run(connection, run_id, lock=True))
            if values:
                update_run(connection, run_id, **values)
            return read_run(connection, run_id)

        return self._transactions.change(f"run {run_id}", work)

    def claims(self, now: str) -> dict[str, Claim]:
        """Persons at benches at that time, by station."""
        return self._transactions.ask(lambda connection: open_claims(connection, now))

    def keep_capture(
        self,
        run_id: str,
        label: str,
        npz: bytes,
        *,
        at: str,
        facts: Mapping[str, Any] | None = None,
        job: int | None = None,
    ) -> NamedCapture:
        """Keep one more capture; returns how it is called. The file is there before the record names it."""
        with self._refusals(f"capture {label!r} of run {run_id}"):
            sha256 = self.blobs.keep(npz)

        def known(connection: sa.Connection) -> NamedCapture | None:
            rows = captures_of(connection, run_id)
            position = next((r.position for r in rows if (r.label, r.sha256) == (label, sha256)), None)
            named = named_captures([r.label for r in rows])
            return next((c for c in named if c.position == position), None)

        def work(connection: sa.Connection) -> NamedCapture:
            read_run(connection, run_id, job=job, lock=True)
            position = len(captures_of(connection, run_id))
            row: dict[str, Any] = {
                "run_id": run_id,
                "position": position,
                "label": label,
                "sha256": sha256,
                "at": at,
            }
            connection.execute(
                sa.insert(t.captures).values({**row, "size": len(npz), "facts": dict(facts or {})})
            )
            with self._refusals(f"capture {label!r} of run {run_id}"):
                self.blobs.keep(npz)  # again: retention may have thrown the same file away meanwhile
            named = known(connection)
            assert named is not None
            return named

        return self._transactions.change(f"capture {label!r} of run {run_id}", work, done_before=known)

    def keep_result(self, run_id: str, document: dict[str, Any], *, at: str, job: int | None = None) -> None:
        """The result document, its findings and its numbers; written once."""

        def work(connection: sa.Connection) -> bool:
            station = read_run(connection, run_id, job=job, lock=True).station
            connection.execute(sa.insert(t.results).values(run_id=run_id, document=document))
            for table, rows in rows_of_result(document).items():
                common = {"run_id": run_id, "station": station, "at": at}
                if rows:
                    numbered = [{**common, **row, "position": n} for n, row in enumerate(rows)]
                    connection.execute(sa.insert(table), numbered)
            return True

        self._transactions.change(
            f"the result of run {run_id}",
            work,
            done_before=lambda c: result_of(c, run_id) == document or None,
        )

    def keep_report(self, run_id: str, html: str) -> None:
        """The report; a run that is done again after a crash draws it anew."""
        folder = self.folder / "runs" / run_id
        with self._refusals(f"the report of run {run_id}"):
            folder.mkdir(parents=True, exist_ok=True)
            write_whole(folder / "report.html", html.encode("utf-8"), place=self._rename)
        self._transactions.change(
            f"run {run_id}", lambda connection: update_run(connection, run_id, report=True)
        )

    def result(self, run_id: str) -> dict[str, Any] | None:
        """None while there is none. UnknownRun."""

        def work(connection: sa.Connection) -> dict[str, Any] | None:
            read_run(connection, run_id)
            return result_of(connection, run_id)

        return self._transactions.ask(work)

    def report(self, run_id: str) -> Path:
        """Where the report is; UnknownCapture while there is none."""
        run = self.read(run_id)
        path = self.folder / "runs" / run.id / "report.html"
        if not run.report or not path.exists():
            raise UnknownCapture(
                f"run {run.id} is {run.state} and has no report{'' if run.settled else ' yet'}"
            )
        return path

    def kept(self, run_id: str) -> list[KeptCapture]:
        """All captures in the order in which they were taken."""
        rows = self._transactions.ask(lambda connection: captures_of(connection, run_id))
        return [KeptCapture(r.label, self.blobs.path(r.sha256), r.facts) for r in rows]

    def capture(self, run_id: str, name: str) -> Path:
        """Where the capture of that name is ("0", "look-0"); UnknownCapture says which there are."""
        run = self.read(run_id)
        kept = self.kept(run_id)
        named = named_captures([c.label for c in kept])
        path = next((kept[c.position].path for c in named if c.name == name), None)
        if path is None or not path.exists():
            there = f"captures {', '.join(c.name for c in named)}" if named else "no capture"
            raise UnknownCapture(f"run {run.id} has no capture {name[:80]!r}; it has {there}")
        return path

    def append_event(self, run_id: str, event: Mapping[str, Any]) -> None:
        """One event more."""
        self._transactions.change(
            f"the events of run {run_id}", lambda connection: append_event(connection, run_id, event)
        )

    def events(self, run_id: str, after: int = 0) -> list[tuple[int, dict[str, Any]]]:
        """(number from 1, event) of all events after number `after`. UnknownRun."""

        def work(connection: sa.Connection) -> list[tuple[int, dict[str, Any]]]:
            read_run(connection, run_id)
            query = sa.select(t.events.c.number, t.events.c.body).where(
                t.events.c.run_id == run_id, t.events.c.number > after
            )
            return [(r.number, r.body) for r in connection.execute(query.order_by(t.events.c.number))]

        return self._transactions.ask(work)

    def listing(self, wanted: RunFilter, limit: int) -> tuple[list[Run], bool]:
        """At most `limit` runs, newest first, and whether there are more."""
        query = sa.select(t.runs).where(*wanted.clauses()).order_by(t.runs.c.id.desc()).limit(limit + 1)
        found = self._transactions.ask(lambda connection: runs_of(connection, query))
        return found[:limit], len(found) > limit

    def newest_first(self, wanted: RunFilter = ANY) -> Iterator[Run]:
        """All runs that the filter takes."""
        more = True
        while more:
            found, more = self.listing(wanted, PAGE)
            yield from found
            if found:
                wanted = replace(wanted, before=found[-1].id)

    def newest_of(self, stations: Iterable[str]) -> dict[str, Run]:
        """The newest run of each of the stations that have any."""
        newest = (
            sa.select(sa.func.max(t.runs.c.id))
            .where(t.runs.c.station.in_(list(stations)))
            .group_by(t.runs.c.station)
        )
        query = sa.select(t.runs).where(t.runs.c.id.in_(newest))
        return {
            run.station: run for run in self._transactions.ask(lambda connection: runs_of(connection, query))
        }

    def in_states(self, *states: str, station: str | None = None) -> list[Run]:
        """Runs in one of the states, in the order of service: class, then first come, first served."""
        query = sa.select(t.runs).where(t.runs.c.state.in_(states))
        if station is not None:
            query = query.where(t.runs.c.station == station)
        ranks = {name: rank for rank, name in enumerate(PRIORITIES)}
        found = self._transactions.ask(lambda connection: runs_of(connection, query))
        return sorted(found, key=lambda run: (ranks[run.priority], run.sequence))

    @contextmanager
    def _refusals(self, what: str) -> Iterator[None]:
        """What the disk says as an error of ours that names the run."""
        try:
            yield
        except OSError as error:
            raise StoreFailed(
                f"{what} could not be written in {self.folder}: {error.strerror or error}"
            ) from error
