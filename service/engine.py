"""Who does the runs, when. One worker thread and one queue per station: first in, first out, one at a time.

This is the one module that a durable engine will replace: the rest of the service knows `Engine` only.
"""

from __future__ import annotations

import logging
import socket
import threading
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Protocol

from service.errors import FolderInUse, IllegalMove, Interrupted, QueueFull, problem_of
from service.journal import Journal
from service.locks import held_file, is_alive
from service.run_record import Run
from service.runs import StopSignal

log = logging.getLogger(__name__)

CLOSE_GRACE_S = 10.0
"""A run of an echo test takes a few seconds: worth waiting for when the service is stopped."""
STOP_S = 5.0
"""For a run to leave the scope idle after it was asked to stop."""


class Engine(Protocol):
    """What the rest of the service asks of an engine."""

    def start(self) -> None:
        """Take up what an earlier service left behind."""

    def submit(self, run_id: str) -> None:
        """Do this queued run when its station's turn comes."""

    def cancel(self, run_id: str) -> Run:
        """Stop a run: at once when it is queued, soon when it is at work. IllegalMove when it is settled."""

    def queue_of(self, station: str) -> tuple[str, ...]:
        """Ids of the runs that wait, next first."""

    def active_on(self, station: str) -> str | None:
        """Id of the run that is being done."""

    def require_room(self, station: str) -> None:
        """QueueFull when another run would not be taken."""

    @property
    def working(self) -> bool:
        """Whether submitted runs are being done."""

    def close(self) -> None:
        """Finish or stop what is at work; what is queued stays queued on disk."""


Perform = Callable[[Run, StopSignal], object]


class _Lane:
    """One station's queue and worker."""

    def __init__(self) -> None:
        self.waiting: deque[str] = deque()
        self.active: str | None = None
        self.stop = StopSignal()
        self.thread: threading.Thread | None = None


class InProcessEngine:
    """Threads in this process; what it must not forget is in the store."""

    def __init__(
        self,
        journal: Journal,
        perform: Perform,
        *,
        stations: frozenset[str],
        folder: Path,
        queue_max: int = 100,
        close_grace_s: float = CLOSE_GRACE_S,
    ) -> None:
        """`folder` is held while the engine runs, so that no second service takes up the same runs."""
        self._journal = journal
        self._perform = perform
        self._stations = stations
        self._folder = folder
        self._queue_max = queue_max
        self._close_grace_s = close_grace_s
        self._lanes = {name: _Lane() for name in stations}
        self._changed = threading.Condition()
        self._closing = False
        self._started = False
        self._held = ExitStack()

    def start(self) -> None:
        """FolderInUse when another service works here. A second call does nothing."""
        if self._started:
            return
        if not self._held.enter_context(held_file(self._folder / "service.lock")):
            raise FolderInUse(f"another service works on {self._folder}; give this one its own with --data")
        for run in reversed(list(self._journal.store.newest_first())):
            if not run.settled:
                self._take_up(run)
        self._started = True

    @property
    def working(self) -> bool:
        return self._started and not self._closing

    def submit(self, run_id: str) -> None:
        run = self._journal.store.read(run_id)
        with self._changed:
            lane = self._lanes[run.station]
            lane.waiting.append(run_id)
            if lane.thread is None:
                name = f"station-{run.station}"
                lane.thread = threading.Thread(target=self._serve, args=(lane,), name=name, daemon=True)
                lane.thread.start()
            self._changed.notify_all()

    def require_room(self, station: str) -> None:
        with self._changed:
            waiting = len(self._lanes[station].waiting)
        if waiting >= self._queue_max:
            raise QueueFull(f"{waiting} runs wait for station {station} already, no more are taken")

    def cancel(self, run_id: str) -> Run:
        run = self._journal.store.read(run_id)
        if run.state == "cancelled":
            return run
        if run.settled:
            raise IllegalMove(f"run {run_id} is {run.state} already, there is nothing to cancel")
        if run.origin != "service":
            pid, host = run.process.get("pid"), run.process.get("host")
            raise IllegalMove(f"run {run_id} is done by a command (process {pid} on {host}): stop it there")
        with self._changed:
            lane = self._lanes.get(run.station)
            if lane is not None and lane.active == run_id:
                lane.stop.ask("cancelled on request")
                return run
            if lane is not None and run_id in lane.waiting:
                lane.waiting.remove(run_id)
            return self._journal.move(run_id, "cancelled", message="cancelled on request")

    def queue_of(self, station: str) -> tuple[str, ...]:
        with self._changed:
            return tuple(self._lanes[station].waiting)

    def active_on(self, station: str) -> str | None:
        with self._changed:
            return self._lanes[station].active

    def close(self) -> None:
        with self._changed:
            self._closing = True
            self._changed.notify_all()
            self._changed.wait_for(self._idle, timeout=self._close_grace_s)
            for lane in self._lanes.values():
                lane.stop.ask("the service was stopped")
        for lane in self._lanes.values():
            if lane.thread is not None:
                lane.thread.join(timeout=STOP_S)
                if lane.thread.is_alive():
                    log.warning("run %s did not stop within %g s", lane.active, STOP_S)
        self._held.close()

    def _idle(self) -> bool:
        return all(lane.active is None for lane in self._lanes.values())

    def _serve(self, lane: _Lane) -> None:
        while (run_id := self._next(lane)) is not None:
            try:
                run = self._journal.store.read(run_id)
                if run.state == "queued":
                    self._perform(run, lane.stop)
            except Exception:
                # the record could not be written; the lane must live on, and a restart settles the run
                log.exception("run %s was left unsettled", run_id)
            finally:
                with self._changed:
                    lane.active = None
                    self._changed.notify_all()

    def _next(self, lane: _Lane) -> str | None:
        """Wait for the lane's next run; None when the engine closes."""
        with self._changed:
            self._changed.wait_for(lambda: self._closing or lane.waiting)
            if self._closing:
                return None
            lane.active = lane.waiting.popleft()
            lane.stop = StopSignal()
            return lane.active

    def _take_up(self, run: Run) -> None:
        """A run of an earlier process that was not settled."""
        if run.origin != "service" and _maker_lives(run):
            return
        if run.station not in self._stations:
            self._give_up(run, f"station {run.station} is no longer in the stations file")
        elif run.state == "queued" and run.origin == "service":
            self.submit(run.id)
        else:
            self._give_up(
                run,
                "the program was stopped while this run was at work: captures taken so far were kept, "
                "nothing was judged; start the run again",
            )

    def _give_up(self, run: Run, sentence: str) -> None:
        self._journal.move(run.id, "error", message=sentence, error=problem_of(Interrupted(sentence)))


def _maker_lives(run: Run) -> bool:
    """Whether the command that made the run may still be at work; on another host nobody here can tell."""
    host, pid = run.process.get("host"), run.process.get("pid")
    return host != socket.gethostname() or (isinstance(pid, int) and is_alive(pid))
