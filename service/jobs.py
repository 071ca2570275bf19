"""Jobs that outlive their process: the only module that knows the job library (dbos).

A job is an id that `do` is called with, in a thread of a worker that listens to the job's pool. In a pool,
each lane does one job at a time, lowest number first. A job whose process died is done again when a process
of the same worker id starts. What a job means, and what of it is done already, is the caller's to know.

Guards, each against something that was seen to happen:
- A worker id belongs to one process at a time (workers.py locks it): two would do one job at once.
- The version of all jobs is one fixed word: otherwise a job of an older program would never be taken up.
- A lane is kept by the database's count, and on SQLite that count is safe only with write locks from the
  start of each transaction (database.py).
- Dropping a job does not stop the thread that does it: running jobs are asked to stop, never dropped.
- The clock of SQLite's rows counts seconds: first come, first served needs numbers that rise.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from service.database import database_url, guard_transactions, make_engine, translated
from service.errors import ServiceError

NAME = "benchwarden"
WORKFLOW = "benchwarden.job"
VERSION = "1"
POLL_S = 0.07
"""How often a pool is looked at, seconds: most of the time from a request to its start."""
RECOVERIES = 50
"""More than ever needed: the caller counts how often a run was interrupted, and knows what to do then."""


class Jobs:
    """The jobs of one database. In a process, one object at a time may work: the library is global."""

    def __init__(self, url: str, worker: str, do: Callable[[str], None]) -> None:
        """`url`: a SQLite file that nobody else writes to, or a PostgreSQL database that may hold more."""
        self._url = url
        self._worker = worker
        self.do = do
        self._engine: sa.Engine | None = None
        self._client: Any = None

    def open(self) -> None:
        """From now on jobs can be put and dropped. A second call does nothing. DatabaseAway, StoreFailed."""
        if self._client is not None:
            return
        library = _library()
        with translated(self._url):
            engine = make_engine(self._url, guarded=False)
            library.run_dbos_database_migrations(_address(self._url))
            guard_transactions(engine)
            self._client = library.DBOSClient(
                system_database_engine=engine,
                serializer=_serializer(),
                application_name=NAME,
                retry_connection_errors=False,  # a request must not hang while the database is away
            )
            self._engine = engine

    def work(self, pools: Sequence[str]) -> None:
        """Do the jobs of these pools, those first that this worker left behind.

        Raises:
            DatabaseAway, StoreFailed; ServiceError when another one works in this process.
        """
        DBOS = _library().DBOS  # noqa: N806
        with _process.guard, translated(self._url):
            if _process.jobs is not None:
                raise ServiceError("a process can do the jobs of one database only, and does already")
            for pool in pools:  # before the launch, or the library would find them a second later
                self.open_pool(pool)
            _register()
            _process.jobs = self
            try:
                DBOS(config=self._config())
                DBOS.listen_queues(list(pools))
                DBOS.launch()
                _library()  # the launch made it write to the terminal
            except BaseException:
                _process.jobs = None
                raise

    def close(self) -> None:
        """Take no more jobs. Those at work should have ended before."""
        DBOS = _library().DBOS  # noqa: N806
        with _process.guard:
            if _process.jobs is self:
                DBOS.destroy(workflow_completion_timeout_sec=0)
                _process.jobs = None
        if self._client is not None:
            self._client.destroy()
            self._client = None
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    def open_pool(self, pool: str) -> None:
        """Make the pool known: one job at a time in each of its lanes."""
        with translated(self._url):
            self._client.register_queue(pool, partition_concurrency=1, polling_interval_sec=POLL_S)

    def put(self, job: str, pool: str, lane: str, number: int) -> None:
        """Have the job done; one that is known already stays as it is."""
        options = {
            "workflow_name": WORKFLOW,
            "queue_name": pool,
            "workflow_id": job,
            "app_version": VERSION,
            "priority": number,
            "queue_partition_key": lane,
        }
        with translated(self._url):
            self._client.enqueue(options, job)

    def drop(self, job: str) -> None:
        """Never begin the job, and count it as ended."""
        with translated(self._url):
            self._client.cancel_workflow(job)

    def pending(self, jobs: Iterable[str]) -> set[str]:
        """Those that are queued or at work somewhere, or will be when their worker is back."""
        wanted = list(jobs)
        if not wanted:
            return set()
        with translated(self._url):
            found = self._client.list_workflows(workflow_ids=wanted, load_input=False, load_output=False)
        return {job.workflow_id for job in found if job.status in PENDING}

    def at_work(self) -> dict[str, str | None]:
        """Those that a worker has begun and not recorded as ended, with that worker."""
        with translated(self._url):
            found = self._client.list_workflows(status="PENDING", load_input=False, load_output=False)
        return {job.workflow_id: job.executor_id for job in found}

    def forget(self, jobs: Sequence[str]) -> None:
        """Remove what is known of jobs that ended."""
        with translated(self._url):
            self._client.delete_workflows(list(jobs))

    def _config(self) -> Any:
        return {
            "name": NAME,
            "system_database_url": _address(self._url),
            "system_database_engine": self._engine,
            "run_migrations": False,
            "executor_id": self._worker,
            "application_version": VERSION,
            "serializer": _serializer(),
            "log_level": "WARNING",
            # nobody listens here, it only sleeps; its pause is what an end of the program waits for
            "notification_listener_polling_interval_sec": 0.05,
        }


PENDING = ("ENQUEUED", "PENDING", "DELAYED")


@dataclass
class _Process:
    """What the library keeps for the whole process."""

    jobs: Jobs | None = None
    registered: bool = False
    guard: threading.Lock = field(default_factory=threading.Lock)


_process = _Process()


def _register() -> None:
    if not _process.registered:
        _library().DBOS.workflow(name=WORKFLOW, max_recovery_attempts=RECOVERIES)(_job)
        _process.registered = True


def _job(job: str) -> None:
    assert _process.jobs is not None
    _process.jobs.do(job)


def _address(url: str) -> str:
    return database_url(url).render_as_string(hide_password=False)


def _serializer() -> Any:
    """JSON rather than Python's own: what is kept must be readable by the next version."""
    return _library().DBOSPortableJSONSerializer()


def _library() -> Any:
    """Loaded when the first job needs it. It writes to the terminal itself: its words belong in our log."""
    import dbos

    logger = logging.getLogger("dbos")
    for handler in tuple(logger.handlers):
        logger.removeHandler(handler)
    logger.propagate = True
    logger.setLevel(logging.WARNING)
    return dbos
