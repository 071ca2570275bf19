"""What a worker does with a job: the run behind it, from where it stands to its end.

A job may come again after its process died. The run's record says what is left to do: nothing, all, the rest,
or to go on waiting for a person. One job does a run: `run.job` names it, any other goes away.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, replace

from service.errors import (
    IllegalMove,
    Interrupted,
    NobodyCame,
    ServiceError,
    StationBusy,
    StationClaimed,
    StationTaken,
    Superseded,
    TimeIsUp,
    UnknownRun,
    problem_of,
)
from service.journal import Journal
from service.logs import about
from service.run_record import AT_WORK, Run, moment_of
from service.runs import Performed
from service.stop_signal import BenchTime, StopSignal
from service.watching import watches

log = logging.getLogger(__name__)

Perform = Callable[[Run, StopSignal], Performed]
LOOK_S = 0.25
"""How often a stop or an answer that another process wrote down is looked for while a run is at work."""
INTERRUPTIONS = 2
"""So often a run may go on after its program died; once more, and it is taken for the cause."""


@dataclass(frozen=True)
class Hands:
    """What a worker needs beside its jobs; wiring.py chooses."""

    perform: Perform
    hold: Callable[[str, Callable[[], bool]], AbstractContextManager[None]]
    """(station, given up): the station's lock, while a run waits for a person."""
    make_idle: Callable[[str], None]
    """Leave the station's scope idle: somebody died while it was at work."""
    limit_s: float
    """How long a run may be at the bench when it does not say itself."""


def job_of(run: Run) -> str:
    """The job that may do the run."""
    return f"{run.id}.{run.job}"


@dataclass(frozen=True)
class _Active:
    """A run that a thread of this process does, and how that is told to stop."""

    run: Run
    stop: StopSignal


class Doing:
    """The runs that this process does. `stations`: those it knows; None when it does none."""

    def __init__(self, journal: Journal, hands: Hands, worker: str, stations: frozenset[str]) -> None:
        self._journal = journal
        self._store = journal.store
        self._hands = hands
        self._worker = worker
        self._stations = stations
        self._in_hand: set[str] = set()
        self._active: dict[str, _Active] = {}
        self._changed = threading.Condition()
        self.closing = False

    def do(self, job: str) -> None:
        """Called with a job's id, in a thread of its own."""
        run_id, _, number = job.rpartition(".")
        self._in_hand.add(job)
        try:
            run = self._store.read(run_id)
            with about(run.id, run.station):
                self._look_at(run, int(number))
        except UnknownRun:
            log.warning("run %s was thrown away: its job ends", run_id)
        finally:
            self._in_hand.discard(job)

    def has_in_hand(self, job: str) -> bool:
        """Whether a thread of this process is at the job, for whatever run."""
        return job in self._in_hand

    def _look_at(self, run: Run, number: int) -> None:
        if self.closing or run.settled or run.job != number:
            return
        if run.station not in self._stations:
            self._give_up(run, f"station {run.station} is no longer in the stations file")
            return
        if run.state == "queued" and self._claimed(run):
            return  # out of the way of what the person at the bench asks for; put anew when the claim is over
        try:
            self._interrupted_first(run)
            self._do(run)
        except Superseded as error:
            log.warning("%s", error)

    def busy_with(self, run_id: str) -> bool:
        """Whether this process does the run just now."""
        return any(active.run.id == run_id for active in self._all_active())

    def stop(self, run_id: str, reason: str) -> None:
        """Ask the run to stop, when it is done here."""
        for active in self._all_active():
            if active.run.id == run_id:
                active.stop.ask(reason)

    def wake(self, run_id: str) -> None:
        """There is an answer for the run."""
        for active in self._all_active():
            if active.run.id == run_id:
                active.stop.news.set()

    def look(self) -> None:
        """See what other processes wrote down for the runs that are done here."""
        active = self._all_active()
        claims = self._journal.claims() if active else {}
        for one in active:
            run = self._found(one.run.id)
            if run is None or run.settled or run.job != one.run.job:
                one.stop.ask(f"run {one.run.id} is no longer for this job to do")
            elif run.stop_reason:
                one.stop.ask(run.stop_reason)
            elif (claim := claims.get(run.station)) and not claim.allows(run):
                one.stop.ask_to_put_back(f"{claim.words}; the run goes on when the bench is given back")

    def _all_active(self) -> list[_Active]:
        with self._changed:
            return list(self._active.values())

    def _found(self, run_id: str) -> Run | None:
        try:
            return self._store.read(run_id)
        except UnknownRun:
            return None

    def _claimed(self, run: Run) -> bool:
        claim = self._journal.claims().get(run.station)
        return claim is not None and not claim.allows(run)

    def close(self, grace_s: float, stop_s: float) -> None:
        """Begin nothing more; what is at work may end within the grace, then it is put back."""
        with self._changed:
            self.closing = True
            for active in self._active.values():
                active.stop.leave()
            self._changed.wait_for(lambda: not self._active, timeout=grace_s)
            for active in self._active.values():
                active.stop.ask_to_put_back("the service was stopped; the run goes on when it is back")
            if not self._changed.wait_for(lambda: not self._active, timeout=stop_s):
                log.warning("runs %s did not stop within %g s", ", ".join(self._active), stop_s)

    def _do(self, run: Run) -> None:
        run = replace(run, worker=self._worker)
        with about(run.id, run.station), self._active_as(run) as stop:
            if run.state == "running" and self._too_often(run):
                return
            if run.stop_reason:
                stop.ask(run.stop_reason)
            while not self.closing:
                if run.state == "waiting" and not watches(run) and not self._answered(run, stop):
                    return
                performed = self._perform(run, stop)
                if performed is None or performed.run.state != "waiting":
                    return
                run = replace(performed.run, worker=self._worker)

    def _perform(self, run: Run, stop: StopSignal) -> Performed | None:
        """None when the service closes before the station was free."""
        limit_s = run.limit_s or self._hands.limit_s
        late = TimeIsUp(f"run {run.id} was at the bench for {limit_s:g} s, longer than it may")
        stop.allowed = lambda: BenchTime(limit_s, lambda: stop.ask(str(late), late))
        while not self.closing:
            try:
                return self._hands.perform(run, stop)
            except IllegalMove as error:
                log.info("%s", error)  # it was cancelled just before it began
                return None
            except StationClaimed as error:
                # at work when its program died, or waiting: not even the scope is put to rest now
                if self._store.read(run.id).state != "queued":
                    self._journal.move(run.id, "queued", job=run.job, message=str(error))
                return None
            except StationBusy as error:
                log.info("%s", error)  # the service closes: the run keeps its place
            except StationTaken:
                # by one that was dropped here while it was at work: its new job waits for this one's lane; or
                # by one whose worker is away: an operator can move or end it
                self._interrupted_first(run)
                stop.news.wait(LOOK_S)
                stop.news.clear()
        return None

    def _answered(self, run: Run, stop: StopSignal) -> bool:
        """Wait for the person; False when the run ended instead, or the service closes."""
        with ExitStack() as held:
            try:
                held.enter_context(self._hands.hold(run.station, lambda: stop.asked() or self.closing))
            except StationBusy as error:
                log.warning("run %s waits without its station: %s", run.id, error)
            while not self.closing:
                now = self._store.read(run.id)
                if now.settled or now.job != run.job:
                    return False
                if stop.asked() or now.stop_reason:
                    reason = stop.reason or now.stop_reason or ""
                    state = "queued" if stop.put_back else "cancelled"
                    self._journal.move(run.id, state, job=run.job, message=reason)
                    return False
                if now.waiting_for is None:
                    return True
                if self._journal.clock() >= moment_of(now.waiting_for["until"], "until"):
                    self._end(run, NobodyCame(f"nobody came by {now.waiting_for['until']}"))
                    return False
                stop.news.wait(LOOK_S)
                stop.news.clear()
        return False

    def _interrupted_first(self, run: Run) -> None:
        """A run that this worker was at when it died has the station: whatever is queued comes after it."""
        for other in self._store.in_states(*AT_WORK, station=run.station):
            if other.id == run.id or other.origin != "service" or other.worker != self._worker:
                continue
            if not self.busy_with(other.id):
                self._do(self._store.change(other.id, lambda now: {"job": now.job + 1}))

    def _too_often(self, run: Run) -> bool:
        times = sum(event["event"] == "resumed" for _, event in self._store.events(run.id))
        if times < INTERRUPTIONS:
            return False
        self._give_up(
            run,
            f"the program died {times + 1} times while this run was at work: what was captured is kept, "
            "nothing was judged; look into the log before you start it again",
        )
        return True

    def _give_up(self, run: Run, sentence: str) -> None:
        if run.state in AT_WORK:
            self._hands.make_idle(run.station)
        self._end(run, Interrupted(sentence))

    def _end(self, run: Run, error: ServiceError) -> None:
        self._journal.move(run.id, "error", job=run.job, message=str(error), error=problem_of(error))

    @contextmanager
    def _active_as(self, run: Run) -> Iterator[StopSignal]:
        stop, job = StopSignal(), job_of(run)
        with self._changed:
            self._active[job] = _Active(run, stop)
        try:
            yield stop
        finally:
            with self._changed:
                del self._active[job]
                self._changed.notify_all()
