"""A thread that runs calls one after another and is waited for only so long, or watches the clock beside one.

The VISA library has calls that do not come back in time or not at all: a write to a peer that does not
read, a read from one that drips bytes, a connection attempt with a fixed time of its own. No time-out
that can be set on a session covers these, and no thread can be stopped from outside. So there are two ways:

- `run`: the call is made in this thread. Whoever asked waits until the deadline, then walks away, and the
  thread is left to end by itself.
- `run_watched`, where a call can be cut short for certain: the caller makes it, and this thread cuts it
  short at the deadline. Nobody has to be woken for that in the usual case: the thread goes on sleeping until
  a deadline is over, and only then looks whether another call is under way.
"""

from __future__ import annotations

import collections
import math
import queue
import threading
import time
from collections.abc import Callable
from typing import Any, TypeVar

Result = TypeVar("Result")


class Overdue(Exception):
    """The call did not come back before the deadline. Its thread is lost: use a new `Errands`."""


class _Watch:
    """A clock beside a call in another thread. What is below is kept under the condition of its `Errands`."""

    def __init__(self, deadline_s: float, cut_short: Callable[[], None]) -> None:
        self.end_at = time.monotonic() + deadline_s
        self.cut_short = cut_short
        self.ended = False
        self.late = False


class Errands:
    """One thread, one call at a time. `run` may be called from any thread, but not from two at once."""

    def __init__(self, name: str) -> None:
        self._changed = threading.Condition()
        self._calls: collections.deque[Callable[[], Any] | None] = collections.deque()
        self._watch: _Watch | None = None
        self._sleeps_until = 0.0
        """Whoever sets a watch with an earlier end must wake it."""
        self._answers: queue.SimpleQueue[tuple[Any, BaseException | None]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def run(self, call: Callable[[], Result], deadline_s: float) -> Result:
        """What `call` returns or raises. Raises Overdue when it takes longer than `deadline_s` seconds."""
        self._put(call)
        try:
            result, error = self._answers.get(timeout=deadline_s)
        except queue.Empty:
            raise Overdue(f"no return within {deadline_s:g} s") from None
        if error is not None:
            raise error
        return result  # type: ignore[no-any-return]

    def run_watched(
        self, call: Callable[[], Result], deadline_s: float, cut_short: Callable[[], None]
    ) -> Result:
        """The same, but the caller's thread makes the call, and this one calls `cut_short` at the deadline:
        it must bring the call to an end."""
        watch = _Watch(deadline_s, cut_short)
        with self._changed:
            self._watch = watch
            if watch.end_at < self._sleeps_until:
                self._changed.notify()
        try:
            result = call()
        except BaseException as error:
            if self._has_come_late(watch):
                raise Overdue(f"no return within {deadline_s:g} s") from error
            raise
        if self._has_come_late(watch):  # whatever came, the means to ask again are gone
            raise Overdue(f"no return within {deadline_s:g} s")
        return result

    def end(self, last: Callable[[], None] | None = None) -> None:
        """End the thread as soon as it is free, after running `last`. Does not wait."""
        if last is not None:
            self._put(last)
        self._put(None)

    def wait_ended(self, deadline_s: float) -> bool:
        """True once the thread has ended."""
        self._thread.join(deadline_s)
        return not self._thread.is_alive()

    def _put(self, call: Callable[[], Any] | None) -> None:
        with self._changed:
            self._calls.append(call)
            self._changed.notify()

    def _has_come_late(self, watch: _Watch) -> bool:
        with self._changed:
            watch.ended = True
            return watch.late

    def _work(self) -> None:
        while (call := self._next()) is not None:
            try:
                answer: tuple[Any, BaseException | None] = (call(), None)
            except BaseException as error:  # noqa: BLE001 - handed to whoever asked, who raises it
                answer = (None, error)
            self._answers.put(answer)
            del call, answer  # an exception keeps its frames, and those the session

    def _next(self) -> Callable[[], Any] | None:
        """Waits for a call, and cuts short what is watched meanwhile."""
        while True:
            with self._changed:
                watch = self._until_a_call_or_a_late_watch()
                if watch is None:
                    return self._calls.popleft()
            watch.cut_short()
            del watch  # it keeps the session

    def _until_a_call_or_a_late_watch(self) -> _Watch | None:
        """None: there is a call. Hold the condition."""
        while not self._calls:
            watch = self._watch
            left = math.inf if watch is None else watch.end_at - time.monotonic()
            if watch is None or left > 0:
                self._sleeps_until = math.inf if watch is None else watch.end_at
                del watch
                self._changed.wait(None if left == math.inf else left)
                self._sleeps_until = 0.0
                continue
            self._watch = None
            if not watch.ended:
                watch.late = True
                return watch
        return None
