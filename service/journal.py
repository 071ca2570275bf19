"""What happens to a run, told twice: to its folder, and to whoever is watching in this process."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from service.run_record import Clock, Run, timestamp, utc_now
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

    def begin(self, run: Run) -> Run:
        """A new run."""
        self.store.create(run)
        self.tell(run.id, "state", state=run.state)
        return run

    def move(self, run_id: str, state: str, *, message: str = "", **changes: Any) -> Run:
        """The run in another state, with the time of it. IllegalMove, UnknownRun, StoreFailed."""
        now = timestamp(self.clock())
        run = self.store.read(run_id)
        if state == "running" and run.started_at is None:
            changes["started_at"] = now
        if run.moved(state).settled:
            changes["finished_at"] = now
        run = self.store.move(run_id, state, **changes)
        told = {"message": message} if message else {}
        self.tell(run_id, "state", state=state, verdict=run.verdict, **told)
        return run

    def tell(self, run_id: str, event: str, **facts: Any) -> None:
        """One event more."""
        self.store.append_event(run_id, {"event": event, "at": timestamp(self.clock()), **facts})
        self._wake(run_id)

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
