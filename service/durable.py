"""Who does the runs, when: queues by station and class, workers, and what an operator may do about them.

What must not be forgotten is in the database: the run's record says its state, the jobs (jobs.py) only make
sure that somebody looks at it. Either may be lost or late; `_reconcile` brings them together again.
"""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from typing import Any

from service.doing import LOOK_S, Doing, Hands, job_of
from service.engine import Post
from service.errors import (
    DatabaseAway,
    FolderInUse,
    IllegalMove,
    Interrupted,
    QueueFull,
    ServiceError,
    StoreFailed,
    problem_of,
)
from service.forgotten_jobs import ForgottenJobs
from service.jobs import Jobs
from service.journal import Journal
from service.locks import held_file, is_alive
from service.run_record import AT_WORK, PRIORITIES, Run, timestamp
from service.workers import ALL, BEAT_S, Worker, Workers, sole

log = logging.getLogger(__name__)

CLOSE_GRACE_S = 10.0
"""A run of an echo test takes a few seconds: worth waiting for when the service is stopped."""
STOP_S = 5.0
"""For a run to leave the scope idle after it was asked to stop."""
RECONCILE_BEATS = 2
FREED_LOOKS = 12
CLASS_STEP = 700_000_000
"""Jobs are numbered by class, then by the order of asking; the library's numbers end at 2^31."""


class DurableEngine:
    """Runs outlive the process that does them."""

    def __init__(
        self,
        journal: Journal,
        hands: Hands,
        workers: Workers,
        post: Post,
        *,
        jobs_url: str,
        stations: frozenset[str],
        queue_max: int = 100,
        patience_s: float = 60.0,
        close_grace_s: float = CLOSE_GRACE_S,
    ) -> None:
        """`stations`: all that the stations file names. `patience_s`: of runs, while the database is away."""
        self._journal = journal
        self._workers = workers
        self._post = post
        self._queue_max = queue_max
        self._close_grace_s = close_grace_s
        self._stations = stations
        self._jobs_url = jobs_url
        self._doing = Doing(journal.patient(patience_s), hands, post.worker, stations)
        self._jobs = Jobs(jobs_url, post.worker, self._doing.do)
        self._ending = threading.Event()
        self._forgotten = ForgottenJobs(self._jobs, self._doing, journal.store, workers, post.worker)
        self._freed: dict[str, int] = {}
        self._started = False
        self._held = ExitStack()
        self._keeper = threading.Thread(target=self._keep, name="engine", daemon=True)

    def start(self) -> None:
        """A second call does nothing.

        Raises:
            FolderInUse: another service works here. WorkerRuns, StationTaken: another worker does.
            DatabaseAway, StoreFailed, BadSettings: the database cannot be used.
        """
        if self._started:
            return
        with ExitStack() as held:
            self._hold(held)
            self._jobs.open()
            held.callback(self._jobs.close)
            self._jobs.open_pool(ALL)
            if self._post.works:
                newly = self._workers.begin(self._post.worker, self._post.stations)
                for pool in self._post.pools:
                    self._jobs.open_pool(pool)
                for station in newly:
                    self._rehome(station)
            self._reconcile(first=True)
            if self._post.works:
                self._jobs.work(self._post.pools)
            self._held = held.pop_all()
        self._started = True
        self._keeper.start()

    @property
    def working(self) -> bool:
        return self._started and not self._ending.is_set()

    def submit(self, run_id: str) -> None:
        if self.working:  # else its record waits for the next start
            self._put(self._journal.store.read(run_id))

    def require_room(self, station: str) -> None:
        waiting = len(self.queue_of(station))
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
        reason = "cancelled on request"
        run = self._journal.store.change(run_id, lambda now: {"stop_reason": now.stop_reason or reason})
        try:
            if run.state == "queued":
                return self._end_without_worker(run, reason)
            if not self._workers.alive(run.worker):
                return self._end_without_worker(run, f"{reason}; its worker {run.worker} is gone")
        except IllegalMove:
            pass  # it went on meanwhile: whoever does it sees the reason to stop
        self._doing.stop(run_id, reason)
        return self._journal.store.read(run_id)

    def proceed(self, run_id: str, answer: Mapping[str, Any]) -> Run:
        at = timestamp(self._journal.clock())

        def change(run: Run) -> Mapping[str, Any]:
            if run.state != "waiting" or run.waiting_for is None:
                raise IllegalMove(f"run {run_id} is {run.state} and waits for nobody")
            return {"answers": (*run.answers, {**answer, "at": at}), "waiting_for": None}

        run = self._journal.store.change(run_id, change)
        self._journal.tell(run_id, "answered", **answer)
        self._doing.wake(run_id)
        return run

    def move(self, run_id: str) -> Run:
        run = self._journal.store.read(run_id)
        if run.settled or run.origin != "service":
            raise IllegalMove(f"run {run_id} is {run.state} and done by a {run.origin}: it cannot be moved")
        owner = self._workers.of([run.station]).get(run.station)
        holder = run.worker if run.state in AT_WORK else owner.id if owner else None
        if self._workers.alive(holder):
            raise IllegalMove(f"worker {holder} is alive and has run {run_id}: cancel the run instead")
        if owner is None or not owner.alive:
            self._workers.release(run.station)
        if run.state in AT_WORK:
            self._journal.move(
                run_id, "queued", job=run.job, message=f"taken from worker {run.worker}, which is gone"
            )
        self._rehome(run.station)
        return self._journal.store.read(run_id)

    def serve_again(self, station: str) -> None:
        if self.working:
            self._freed[station] = FREED_LOOKS
            self._serve_freed()

    def forget(self, runs: Sequence[Run]) -> None:
        """The runs are thrown away: so is what is known of their jobs."""
        self._jobs.forget([f"{run.id}.{number}" for run in runs for number in range(1, run.job + 1)])

    def queue_of(self, station: str) -> tuple[str, ...]:
        queued = self._journal.store.in_states("queued", station=station)
        return tuple(run.id for run in queued if run.origin == "service")

    def active_on(self, station: str) -> str | None:
        at_work = self._journal.store.in_states(*AT_WORK, station=station)
        return next((run.id for run in at_work if run.origin == "service"), None)

    def workers_of(self, stations: Sequence[str]) -> dict[str, Worker]:
        return self._workers.of(stations)

    def close(self) -> None:
        if not self._started or self._ending.is_set():
            return
        self._ending.set()
        self._doing.close(self._close_grace_s, STOP_S)
        self._keeper.join(timeout=STOP_S)
        if self._post.works:
            self._quietly(lambda: self._workers.end(self._post.worker))
        self._held.close()

    def _hold(self, held: ExitStack) -> None:
        folder = self._post.sole_folder
        if folder is not None and not held.enter_context(held_file(folder / "service.lock")):
            raise FolderInUse(f"another service works on {folder}; give this one its own with --data")
        if self._post.works:
            held.enter_context(sole(self._post.worker, self._jobs_url, self._post.locks))

    def _put(self, run: Run) -> None:
        number = 1 + PRIORITIES.index(run.priority) * CLASS_STEP + run.sequence
        self._jobs.put(job_of(run), self._workers.pool_of(run.station), run.station, number)

    def _put_anew(self, run: Run) -> None:
        """By a new job; whoever has the old one has no say any more."""
        self._jobs.drop(job_of(run))
        run = self._journal.store.change(run.id, lambda now: {} if now.settled else {"job": now.job + 1})
        if not run.settled:
            self._put(run)

    def _rehome(self, station: str) -> None:
        """The station has another worker: its queue goes there, in its order."""
        for run in self._journal.store.in_states("queued", station=station):
            if run.origin == "service":
                self._put_anew(run)

    def _end_without_worker(self, run: Run, message: str) -> Run:
        ended = self._journal.move(run.id, "cancelled", message=message, job=run.job, only_from=run.state)
        self._jobs.drop(job_of(run))
        return ended

    def _keep(self) -> None:
        """Say that this worker lives, look for what others wrote down, mend what a crash left behind."""
        beats, next_beat = 0, 0.0
        while not self._ending.wait(LOOK_S):
            self._quietly(self._doing.look)
            self._quietly(self._serve_freed)
            next_beat += LOOK_S
            if next_beat < BEAT_S:
                continue
            next_beat, beats = 0.0, beats + 1
            if self._post.works:
                self._quietly(lambda: self._workers.beat(self._post.worker))
            if beats % RECONCILE_BEATS == 0:
                self._quietly(self._reconcile)

    def _quietly(self, work: Callable[[], object]) -> None:
        """A keeper that ends at its first error keeps nothing."""
        try:
            work()
        except (DatabaseAway, StoreFailed) as error:
            log.warning("%s", error)  # the next look may have more luck
        except Exception:
            log.exception("a mistake in the engine's keeper")

    def _reconcile(self, first: bool = False) -> None:
        """Runs whose job was lost get a new one; runs of commands that died are settled."""
        unsettled = self._journal.store.in_states("queued", *AT_WORK)
        ours = [run for run in unsettled if run.origin == "service"]
        if self._post.works and not first:
            self._forgotten.end()  # first: the runs of such jobs are lost ones
        self._put_lost(ours, first)
        for run in unsettled:
            if run.origin != "service" and not _maker_lives(run):
                self._give_up(
                    run,
                    "the program was stopped while this run was at work: captures taken so far were kept, "
                    "nothing was judged; start the run again",
                )

    def _serve_freed(self) -> None:
        """More than once: a job that was just looked at in vain counts as pending for another moment."""
        for station, looks in list(self._freed.items()):
            queued = self._journal.store.in_states("queued", station=station)
            self._put_lost([run for run in queued if run.origin == "service"])
            if looks > 1:
                self._freed[station] = looks - 1
            else:
                self._freed.pop(station, None)

    def _put_lost(self, runs: Sequence[Run], first: bool = False) -> None:
        """A run that waits for the person at its bench to give it back needs no job until then."""
        pending = self._jobs.pending(job_of(run) for run in runs)
        claims = self._journal.claims()
        for run in runs:
            claim = claims.get(run.station)
            if job_of(run) in pending or self._doing.busy_with(run.id):
                continue
            if first and self._post.stations is None and run.station not in self._stations:
                self._give_up(run, f"station {run.station} is no longer in the stations file")
            elif run.state == "queued" and claim is not None and not claim.allows(run):
                continue
            elif run.state == "queued" or (self._post.works and run.worker == self._post.worker):
                self._put_anew(run)

    def _give_up(self, run: Run, sentence: str) -> None:
        error: ServiceError = Interrupted(sentence)
        self._journal.move(run.id, "error", message=sentence, error=problem_of(error))


def _maker_lives(run: Run) -> bool:
    """Whether the command that made the run may still be at work; on another host nobody here can tell."""
    host, pid = run.process.get("host"), run.process.get("pid")
    return host != socket.gethostname() or (isinstance(pid, int) and is_alive(pid))
