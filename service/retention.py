"""Throws away what is old enough by its kind, and nothing that a grade or a history rests on.

What stays of an old check, and of old names, is in service/room/lasting.py. Rows go first, files after them:
a crash in between leaves files without rows, which the next round finds. A file that another run has too
stays. Kept for ever: unsettled runs, runs with `kept_for`, kinds without days.
"""

from __future__ import annotations

import logging
import shutil
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import sqlalchemy as sa

from service import tables as t
from service.access.audit import Audit
from service.errors import DatabaseAway
from service.room.lasting import count_and_delete, forget_names, is_history, thin_out
from service.run_record import NAMES, RUN_ID, SETTLED, Clock, Run, timestamp
from service.run_rows import runs_of
from service.store import RunStore
from service.whole_files import HALF_WRITTEN

log = logging.getLogger(__name__)

EVERY_S = 3600.0
FIRST_S = 60.0
AT_ONCE = 100
ORPHAN_S = 3600.0
"""A file without a row may be one whose row is just being written."""
NOTES_DAYS = 400
"""How long it is remembered that a moment of a schedule was served."""


class Retention:
    """`days` by kind of run; those of `names` are for names of persons."""

    def __init__(
        self,
        store: RunStore,
        days: Mapping[str, float],
        clock: Clock,
        forget: Callable[[Sequence[Run]], None] = lambda _runs: None,
    ) -> None:
        self._store = store
        self._days = dict(days)
        self._clock = clock
        self._forget = forget
        self._audit = Audit(store.database, clock)
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Look every hour, in a thread. A second call does nothing."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._keep, name="retention", daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._ending.set()
        if self._thread is not None:
            self._thread.join(timeout=10)

    def round(self) -> int:
        """One look; returns how many runs were thrown away. DatabaseAway, StoreFailed."""
        count = 0
        while runs := self._old():
            self._remove(runs)
            count += len(runs)
        self._remove_orphans()
        self._forget_names()
        with self._store.database.changing() as connection:
            oldest = timestamp(self._clock() - timedelta(days=NOTES_DAYS))
            connection.execute(sa.delete(t.firings).where(t.firings.c.due_at < oldest))
        return count

    def _old(self) -> list[Run]:
        rules = [
            (t.runs.c.kind == kind) & (t.runs.c.finished_at < timestamp(self._clock() - timedelta(days=days)))
            for kind, days in self._days.items()
            if kind != NAMES
        ]
        if not rules:
            return []
        query = (
            sa.select(t.runs)
            .where(sa.or_(*rules), t.runs.c.state.in_(SETTLED), t.runs.c.kept_for.is_(None))
            .order_by(t.runs.c.id)
            .limit(AT_ONCE)
        )
        with self._store.database.reading() as connection:
            return runs_of(connection, query)

    def _remove(self, runs: Sequence[Run]) -> None:
        """A run that was kept for something in this very moment stays."""
        ids = [run.id for run in runs]
        with self._store.database.changing() as connection:
            files = sa.select(t.captures.c.sha256).where(t.captures.c.run_id.in_(ids))
            digests = set(connection.execute(files).scalars())
            thinned = thin_out(connection, [run.id for run in runs if is_history(run)])
            gone = count_and_delete(connection, [run.id for run in runs if not is_history(run)])
            self._note(connection, "thinned out", thinned)
            self._note(connection, "thrown away", gone)
        touched = {*thinned, *gone}
        self._forget([run for run in runs if run.id in touched])
        for run_id in touched:
            shutil.rmtree(self._store.folder / "runs" / run_id, ignore_errors=True)
        self._remove_files(digests)

    def _forget_names(self) -> None:
        if NAMES in self._days:
            before = timestamp(self._clock() - timedelta(days=self._days[NAMES]))
            with self._store.database.changing() as connection:
                if count := forget_names(connection, before):
                    facts = {"rows": str(count), "before": before}
                    self._audit.add_within(
                        connection, "service", "retention", "names", "", "forgotten", facts
                    )

    def _note(self, connection: sa.Connection, outcome: str, ids: Sequence[str]) -> None:
        """In the audit, in the same transaction: the proof of the deletion."""
        if ids:
            facts = {"runs": str(len(ids)), "first": min(ids), "last": max(ids)}
            self._audit.add_within(connection, "service", "retention", "runs", "", outcome, facts)

    def _remove_files(self, digests: set[str]) -> None:
        """Those that no run has any more; nobody adds a row for one meanwhile."""
        with self._store.database.changing() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(sa.text("LOCK TABLE captures IN SHARE ROW EXCLUSIVE MODE"))
            query = sa.select(t.captures.c.sha256).where(t.captures.c.sha256.in_(digests))
            for sha256 in digests - set(connection.execute(query).scalars()):
                self._store.blobs.remove(sha256)

    def _remove_orphans(self) -> None:
        """What a crash left behind: half a file, files of captures and folders of runs without a row."""
        before = time.time() - ORPHAN_S
        for folder in (self._store.blobs.folder, self._store.folder / "runs"):
            for half in self._older(folder.glob(f"*/{HALF_WRITTEN}"), before):
                half.unlink(missing_ok=True)
        captures = self._older(self._store.blobs.folder.glob(f"*/*{self._store.blobs.suffix}"), before)
        names = [path.stem for path in captures]
        for start in range(0, len(names), AT_ONCE):
            self._remove_files(set(names[start : start + AT_ONCE]))
        for folder in self._older((self._store.folder / "runs").glob("*"), before):
            if RUN_ID.fullmatch(folder.name) and not self._known(folder.name):
                shutil.rmtree(folder, ignore_errors=True)

    def _known(self, run_id: str) -> bool:
        with self._store.database.reading() as connection:
            return connection.execute(sa.select(t.runs.c.id).where(t.runs.c.id == run_id)).first() is not None

    def _older(self, paths: Iterable[Path], before: float) -> list[Path]:
        """What is gone meanwhile, like half a file that became a whole one, is none of them."""
        old = []
        for path in paths:
            with suppress(FileNotFoundError):
                if path.stat().st_mtime < before:
                    old.append(path)
        return old

    def _keep(self) -> None:
        pause = FIRST_S
        while not self._ending.wait(pause):
            pause = EVERY_S
            try:
                if count := self.round():
                    log.info("%d runs were older than they are kept", count)
            except DatabaseAway as error:
                log.warning("%s", error)
            except Exception:
                log.exception("a mistake in retention")
