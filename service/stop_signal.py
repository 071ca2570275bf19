"""How a run is told to stop or to look up, and how long it may be at the bench."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from service.errors import ServiceError


class BenchTime:
    """A time limit that does not run while a person is waited for."""

    def __init__(
        self,
        limit_s: float,
        over: Callable[[], None],
        clock: Callable[[], float] = time.monotonic,
        timer: Callable[[float, Callable[[], None]], threading.Timer] = threading.Timer,
    ) -> None:
        """`over` is called in a thread of its own when the time is up; `timer` gets the seconds and it."""
        self._left_s = limit_s
        self._over = over
        self._clock = clock
        self._new_timer = timer
        self._begin()

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Time in the block does not count."""
        self.stop()
        self._left_s = max(self._left_s - (self._clock() - self._since), 0.0)
        try:
            yield
        finally:
            self._begin()

    def stop(self) -> None:
        """`over` will not be called any more."""
        self._timer.cancel()

    def _begin(self) -> None:
        self._since = self._clock()
        self._timer = self._new_timer(self._left_s, self._over)
        self._timer.daemon = True
        self._timer.start()


class StopSignal:
    """Asks a run to stop, and remembers why."""

    def __init__(self) -> None:
        self._asked = threading.Event()
        self.news = threading.Event()
        """Set whenever a run that waits should look at its record again."""
        self.leaving = False
        """The service closes: a run that waits for a person goes on waiting, without this process."""
        self.allowed: Callable[[], BenchTime] | None = None
        """Begins the run's time at the bench: not before it has the station."""
        self.time: BenchTime | None = None
        self.reason = ""
        self.error: ServiceError | None = None
        self.put_back = False

    def ask(self, reason: str, error: ServiceError | None = None) -> None:
        """The first reason stays. With an `error` the run ends in it, else as cancelled."""
        if not self.reason:
            self.reason, self.error = reason, error
        self._asked.set()
        self.news.set()

    def ask_to_put_back(self, reason: str) -> None:
        """Leave the instrument idle and the run in the queue: it goes on later with what it has taken."""
        self.put_back = self.put_back or not self._asked.is_set()
        self.ask(reason)

    def leave(self) -> None:
        """Wait for nobody any longer in this process; a run that is at work may end."""
        self.leaving = True
        self.news.set()

    def asked(self) -> bool:
        return self._asked.is_set()

    @property
    def unwanted(self) -> bool:
        """Somebody wants the run no more. One that is only late, or to be put back, may end instead."""
        return self.asked() and self.error is None and not self.put_back

    @contextmanager
    def at_bench(self) -> Iterator[None]:
        """The time in the block is the run's time at the bench."""
        self.time = self.allowed() if self.allowed else None
        try:
            yield
        finally:
            if self.time is not None:
                self.time.stop()
            self.time = None

    @contextmanager
    def waiting(self) -> Iterator[None]:
        """While a person is waited for, the run's time at the bench stands still."""
        if self.time is None:
            yield
        else:
            with self.time.paused():
                yield
