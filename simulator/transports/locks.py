"""Locks of an instrument between controllers: one exclusive holder, or several that share a key.

Holders are numbers: HiSLIP sessions up to 0xFFFF, VXI-11 links above. A plain socket heeds no locks.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable

FAILURE, EXCLUSIVE, SHARED, ERROR = 0, 1, 2, 3
"""Answers to a lock request (HiSLIP lock response codes)."""


class Locks:
    """Who holds the instrument."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._exclusive: int | None = None
        self._sharing: set[int] = set()
        self._key = ""

    def request(self, holder: int, key: str, timeout_s: float, still_wanted: Callable[[], bool]) -> int:
        """Waits up to `timeout_s`; an empty key asks for the exclusive lock."""
        deadline = time.monotonic() + timeout_s
        with self._changed:
            if self._exclusive == holder if not key else holder in self._sharing:
                return ERROR  # it has that lock already
            while not self._free_for(holder, key):
                left = deadline - time.monotonic()
                if left <= 0 or not still_wanted():
                    return FAILURE
                self._changed.wait(min(left, 0.2))
            return self._grant(holder, key)

    def release(self, holder: int) -> int:
        """Gives back the exclusive lock, or else the shared one; says which, ERROR when it has none."""
        with self._changed:
            if self._exclusive == holder:
                self._exclusive = None
                answer = EXCLUSIVE
            elif holder in self._sharing:
                self._sharing.discard(holder)
                answer = SHARED
            else:
                return ERROR
            self._changed.notify_all()
            return answer

    def forget(self, holder: int) -> None:
        """A controller left: its locks go."""
        while self.release(holder) != ERROR:
            pass

    def wait_for_access(
        self, holder: int, still_wanted: Callable[[], bool], timeout_s: float = math.inf
    ) -> bool:
        """Blocks while somebody else's lock keeps `holder` out; False when no longer wanted, or late."""
        deadline = time.monotonic() + timeout_s
        with self._changed:
            while not self._may_use(holder):
                left = deadline - time.monotonic()
                if left <= 0 or not still_wanted():
                    return False
                self._changed.wait(min(left, 0.2))
            return True

    def info(self) -> tuple[bool, int]:
        """Whether the exclusive lock is held, and how many controllers hold a lock."""
        with self._changed:
            holders = self._sharing | ({self._exclusive} if self._exclusive is not None else set())
            return self._exclusive is not None, len(holders)

    def _free_for(self, holder: int, key: str) -> bool:
        if self._exclusive not in (None, holder):
            return False
        others = self._sharing - {holder}
        if not key:
            return not others or holder in self._sharing
        return not others or key == self._key

    def _may_use(self, holder: int) -> bool:
        if self._exclusive is not None:
            return self._exclusive == holder
        return not self._sharing or holder in self._sharing

    def _grant(self, holder: int, key: str) -> int:
        if not key:
            self._exclusive = holder
            return EXCLUSIVE
        self._sharing.add(holder)
        self._key = key
        return SHARED
