"""A thread that runs calls one after another and is waited for only so long.

The VISA library has calls that do not come back in time or not at all: a write to a peer that does not
read, a read from one that drips bytes, a connection attempt with a fixed time of its own. No time-out
that can be set on a session covers these, and no thread can be stopped from outside. So all calls on one
session run in a thread of its own; whoever asked waits until the deadline, then walks away, and the
thread is left to end by itself.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Any, TypeVar

Result = TypeVar("Result")


class Overdue(Exception):
    """The call did not come back before the deadline. Its thread is lost: use a new `Errands`."""


class Errands:
    """One thread, one call at a time. `run` may be called from any thread, but not from two at once."""

    def __init__(self, name: str) -> None:
        self._calls: queue.SimpleQueue[Callable[[], Any] | None] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[tuple[Any, BaseException | None]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def run(self, call: Callable[[], Result], deadline_s: float) -> Result:
        """What `call` returns or raises. Raises Overdue when it takes longer than `deadline_s` seconds."""
        self._calls.put(call)
        try:
            result, error = self._answers.get(timeout=deadline_s)
        except queue.Empty:
            raise Overdue(f"no return within {deadline_s:g} s") from None
        if error is not None:
            raise error
        return result  # type: ignore[no-any-return]

    def end(self, last: Callable[[], None] | None = None) -> None:
        """End the thread as soon as it is free, after running `last`. Does not wait."""
        if last is not None:
            self._calls.put(last)
        self._calls.put(None)

    def wait_ended(self, deadline_s: float) -> bool:
        """True once the thread has ended."""
        self._thread.join(deadline_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        while (call := self._calls.get()) is not None:
            try:
                answer: tuple[Any, BaseException | None] = (call(), None)
            except BaseException as error:  # noqa: BLE001 - handed to whoever asked, who raises it
                answer = (None, error)
            self._answers.put(answer)
            del call, answer  # an exception keeps its frames, and those the session
