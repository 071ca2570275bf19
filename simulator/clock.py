"""Bench time: seconds since power-on as a float (a double keeps 2 ps over four hours, 15 ps over a day).

Nothing on the bench ticks. Every part computes what has happened up to `now()` when somebody asks, so the
same code runs against the real clock and against a virtual one that moves only when the bench is used.
"""

from __future__ import annotations

import threading
import time
from typing import Protocol

PATIENCE_S = 0.2
"""Longest sleep (wall time) of a thread that waits for the bench: bounds how late it sees a closed peer."""


class Clock(Protocol):
    """Where bench time comes from."""

    virtual: bool

    def now(self) -> float:
        """Seconds since power-on."""
        ...

    def spend(self, seconds: float) -> None:
        """Somebody used the instrument: that takes this long."""
        ...

    def reach(self, instant: float) -> None:
        """Somebody waited for this instant, which was known to come."""
        ...

    def sleep(self, changed: threading.Condition, until: float | None) -> None:
        """Waits for `until` or for a change, whichever is first; may return early. Hold `changed`."""
        ...


class RealClock:
    """Follows the monotonic clock of this machine."""

    virtual = False

    def __init__(self) -> None:
        self._power_on = time.monotonic()

    def now(self) -> float:
        return time.monotonic() - self._power_on

    def spend(self, seconds: float) -> None:
        """Real time passes by itself."""

    def reach(self, instant: float) -> None:
        """Real time passes by itself."""

    def sleep(self, changed: threading.Condition, until: float | None) -> None:
        left = PATIENCE_S if until is None else until - self.now()
        changed.wait(min(max(left, 0.0), PATIENCE_S))


class VirtualClock:
    """Stands still, except that each use of the bench costs a stated time and waiting jumps."""

    virtual = True

    def __init__(self, start_s: float = 1.0) -> None:
        self._now = start_s

    def now(self) -> float:
        return self._now

    def spend(self, seconds: float) -> None:
        self._now += seconds

    def reach(self, instant: float) -> None:
        self._now = max(self._now, instant)

    def sleep(self, changed: threading.Condition, until: float | None) -> None:
        if until is None:
            changed.wait(PATIENCE_S)
        else:
            self.reach(until)
