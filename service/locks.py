"""One OS file lock per station, keyed by the scope's address, so that two programs never work on one bench.

The lock itself is the operating system's (it ends with its process, however that ends). Beside it lies a note
of who holds it, which is for people: a note without a lock means nothing.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import filelock

from service.errors import StationBusy, StoreFailed
from service.run_record import timestamp, utc_now
from service.whole_files import made_folder, write_whole

POLL_S = 0.05
FOR_EVER_S = 1e9


@dataclass(frozen=True)
class Holder:
    """Who holds a lock, in words for people."""

    pid: int
    command: str
    station: str
    since: str

    def __str__(self) -> str:
        return f"`{self.command}` (process {self.pid}, since {self.since})"


@dataclass(frozen=True)
class StationLocks:
    """All stations' locks of this host. `folder` is shared by all users of it."""

    folder: Path
    wait_s: float = 30.0

    @contextmanager
    def holding(
        self,
        station: str,
        scope: str,
        *,
        cancelled: Callable[[], bool] = lambda: False,
        on_wait: Callable[[str], None] = lambda _sentence: None,
        for_ever: bool = False,
    ) -> Iterator[None]:
        """Hold the station while the block runs. `on_wait` gets one sentence when another process has it.

        Raises:
            StationBusy: not free within `wait_s` (unless `for_ever`), or `cancelled` while waiting; says who
                holds it.
            StoreFailed: the lock's folder cannot be used.
        """
        path = self._path(scope)
        lock = self._lock(path)
        wait_s = FOR_EVER_S if for_ever else self.wait_s
        self._acquire(lock, station, scope, wait_s, cancelled, on_wait)
        note = path.with_suffix(".holder")
        try:
            me = Holder(os.getpid(), own_command(), station, timestamp(utc_now()))
            write_whole(note, json.dumps(asdict(me)).encode(), place=os.replace)
            yield
        finally:
            note.unlink(missing_ok=True)
            lock.release()

    def holder(self, scope: str) -> Holder | None:
        """Who holds the station now; None when nobody does. Asks without taking the lock."""
        try:
            holder = Holder(**json.loads(self._path(scope).with_suffix(".holder").read_bytes()))
        except (FileNotFoundError, ValueError, TypeError):
            return None
        return holder if is_alive(holder.pid) else None

    def _acquire(
        self,
        lock: filelock.BaseFileLock,
        station: str,
        scope: str,
        wait_s: float,
        cancelled: Callable[[], bool],
        on_wait: Callable[[str], None],
    ) -> None:
        try:
            lock.acquire(blocking=False)
            return
        except filelock.Timeout:
            until = "until it is free" if wait_s == FOR_EVER_S else f"up to {wait_s:g} s"
            on_wait(f"station {station} is in use by {self._words(scope)}; waiting {until}")
        except OSError as error:
            raise StoreFailed(f"the lock folder {self.folder} cannot be used: {error}") from error
        try:
            lock.acquire(timeout=wait_s, poll_interval=POLL_S, cancel_check=cancelled)
        except filelock.Timeout:
            waited = "" if wait_s == FOR_EVER_S else f"; waited {wait_s:g} s"
            raise StationBusy(f"station {station} is in use by {self._words(scope)}{waited}") from None

    def _words(self, scope: str) -> str:
        return str(self.holder(scope) or "another process")

    def _path(self, scope: str) -> Path:
        """Readable and unambiguous: the address in letters, and a digest of it."""
        key = scope.strip().casefold()
        digest = hashlib.sha256(key.encode()).hexdigest()[:12]
        return self.folder / f"{re.sub(r'[^a-z0-9.]+', '-', key)[:60]}-{digest}.lock"

    def _lock(self, path: Path) -> filelock.BaseFileLock:
        try:
            if not self.folder.is_dir():
                self.folder.mkdir(parents=True, exist_ok=True)
                # for all users of the host; not sticky, or one user could not open another's lock file
                self.folder.chmod(0o777)
        except OSError as error:
            raise StoreFailed(f"the lock folder {self.folder} cannot be made: {error}") from error
        return filelock.FileLock(path, mode=0o666, thread_local=False)


@contextmanager
def held_file(path: Path) -> Iterator[bool]:
    """Try to hold a file of ours while the block runs; yields whether it could be had, and never waits."""
    made_folder(path.parent)
    lock = filelock.FileLock(path, thread_local=False)
    try:
        lock.acquire(blocking=False)
    except filelock.Timeout:
        yield False
        return
    try:
        yield True
    finally:
        lock.release()


def is_alive(pid: int) -> bool:
    """Whether a process with that id exists on this host."""
    if os.name == "nt":
        return True  # signal 0 would end it there
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def own_command() -> str:
    """This process's command as a person would recognise it."""
    name = Path(sys.argv[0] or "python").name
    return " ".join(["benchwarden" if name == "__main__.py" else name, *sys.argv[1:]])[:200]
