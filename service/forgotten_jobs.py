"""Jobs that nobody does any more: each would keep its station's lane from all the others."""

from __future__ import annotations

import logging

from service.doing import Doing
from service.errors import UnknownRun
from service.jobs import Jobs
from service.run_record import AT_WORK
from service.store import RunStore
from service.workers import Workers

log = logging.getLogger(__name__)


class ForgottenJobs:
    """Of this worker: those whose end could not be recorded (a full disk), or whose beginning failed.

    Of a worker that is gone: those of runs that were never at the bench, or are over. What was at the bench
    when its worker went stays with that worker, unless an operator moves or ends it.
    """

    def __init__(self, jobs: Jobs, doing: Doing, store: RunStore, workers: Workers, worker: str) -> None:
        self._jobs = jobs
        self._doing = doing
        self._store = store
        self._workers = workers
        self._worker = worker
        self._suspects: set[str] = set()

    def end(self) -> None:
        """Drop what was seen so twice: between a run's end and that of its job there is always a moment."""
        idle = {job for job, worker in self._jobs.at_work().items() if self._nobody_does(job, worker)}
        for job in idle & self._suspects:
            log.warning("job %s is done by nobody any more: its station goes on without it", job)
            self._jobs.drop(job)
        self._suspects = idle

    def _nobody_does(self, job: str, worker: str | None) -> bool:
        if worker == self._worker:
            return not self._doing.has_in_hand(job)
        return not self._workers.alive(worker) and not self._at_bench(job)

    def _at_bench(self, job: str) -> bool:
        run_id, _, number = job.rpartition(".")
        try:
            run = self._store.read(run_id)
        except UnknownRun:
            return False
        return run.state in AT_WORK and run.job == int(number)
