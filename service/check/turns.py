"""How many stations one process checks at the same time: a host has only so much to compute with.

A check with a person at the bench does not wait for its turn: it spends its time waiting for hands.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from service.hooks import RunHooks

ASK_S = 0.2
"""How often a check that waits looks whether it was cancelled."""


class Turns:
    """So many at once; the others wait, and can be cancelled meanwhile."""

    def __init__(self, at_once: int) -> None:
        self._free = threading.BoundedSemaphore(at_once)

    @contextmanager
    def one(self, hooks: RunHooks) -> Iterator[None]:
        """Raises RunCancelled when that was asked for while it waited."""
        if not self._free.acquire(blocking=False):
            hooks.progress("wait", "other stations are being checked on this host: waiting for a turn", 0.0)
            while not self._free.acquire(timeout=ASK_S):
                hooks.stop_if_cancelled()
        try:
            yield
        finally:
            self._free.release()
