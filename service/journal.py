"""What happens to a run, told twice: to its folder, and to whoever is watching in this process."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

from service.access.audit import Audit
from service.access.command import made_by
from service.errors import StationClaimed
from service.room.presence import Claim
from service.run_record import SETTLED, Clock, Run, timestamp, utc_now
from service.store import RunStore

Watcher = Callable[[str], None]
"""Gets the id of the run with news, or EVERY_RUN; called in the thread that made them, must not block."""

EVERY_RUN = "*"


@dataclass
class Journal:
    """Changes of state go through here, so that no change is without its event."""

    store: RunStore
    clock: Clock = utc_now
    _watchers: list[Watcher] = field(default_factory=list)
    _guard: threading.Lock = field(default_factory=threading.Lock)
    closed: bool = False
    """True once the service stops: whoever watches should go."""

    def begin(self, run: Run, *, most_waiting: int | None = None) -> Run:
        """A new run. Raises as `RunStore.create`."""
        run = self.store.create(run, self._event("state", state=run.state), most_waiting=most_waiting)
        if run.origin == "command":  # a request's run is written down at the door
            audit = Audit(self.store.database, self.clock)
            audit.add(made_by(), f"command {run.kind}", run.id, outcome="begun", station=run.station)
        self._wake(run.id)
        return run

    def move(
        self,
        run_id: str,
        state: str,
        *,
        message: str = "",
        job: int | None = None,
        only_from: str | None = None,
        **changes: Any,
    ) -> Run:
        """The run in another state, with the time of it. Raises as `RunStore.move` does."""
        now = timestamp(self.clock())
        if state in SETTLED:
            changes = {"finished_at": now, "waiting_for": None, **changes}
        elif state == "running":
            changes = {"waiting_for": None, **changes}
            if self.store.read(run_id).started_at is None:
                changes["started_at"] = now
        told = {"message": message} if message else {}
        if "waiting_for" in changes and state == "waiting":
            told["waiting_for"] = changes["waiting_for"]
        event = self._event("state", state=state, verdict=changes.get("verdict"), **told)
        begins = now if state == "running" else None
        run = self.store.move(run_id, state, job=job, only_from=only_from, now=begins, event=event, **changes)
        self._wake(run_id)
        return run

    def claims(self) -> dict[str, Claim]:
        """Persons at benches now, by station."""
        return self.store.claims(timestamp(self.clock()))

    def require_unclaimed(self, run: Run) -> None:
        """Before a run goes on at the bench. StationClaimed when somebody else is there."""
        claim = self.claims().get(run.station)
        if claim is not None and not claim.allows(run):
            raise StationClaimed(claim.words)

    def tell(self, run_id: str, event: str, **facts: Any) -> None:
        """One event more."""
        self.store.append_event(run_id, self._event(event, **facts))
        self._wake(run_id)

    def patient(self, seconds: float) -> Journal:
        """The same journal, with the same watchers, for whoever can wait for the database."""
        return replace(self, store=self.store.patient(seconds))

    def _event(self, event: str, **facts: Any) -> dict[str, Any]:
        return {"event": event, "at": timestamp(self.clock()), **facts}

    def close(self) -> None:
        """Send all watchers home; work that is still being done is written down as before."""
        self.closed = True
        self._wake(EVERY_RUN)

    @contextmanager
    def watched(self, watcher: Watcher) -> Iterator[None]:
        """Call the watcher at each piece of news while the block runs."""
        with self._guard:
            self._watchers.append(watcher)
        try:
            yield
        finally:
            with self._guard:
                self._watchers.remove(watcher)

    def _wake(self, about: str) -> None:
        with self._guard:
            watchers = tuple(self._watchers)
        for watcher in watchers:
            watcher(about)
