"""How fast one caller may ask: a bucket that fills steadily, so that a burst is fine and a flood is not."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

KEEP = 10_000
"""Buckets that are full again are forgotten beyond this many: a flood from many addresses costs no memory."""


@dataclass
class Rates:
    """`per_minute` requests a minute for each caller, a minute's worth of them at once."""

    per_minute: float
    clock: Callable[[], float] = time.monotonic
    _left: dict[str, tuple[float, float]] = field(default_factory=dict)
    """By caller: how many requests were left, and when."""
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, who: str) -> int:
        """0 when the request may go on; else after how many whole seconds the next one may."""
        now = self.clock()
        with self._guard:
            if len(self._left) > KEEP:
                self._forget_full(now)
            left = self._now(who, now)
            if left < 1:
                return max(1, math.ceil((1 - left) * 60 / self.per_minute))
            self._left[who] = (left - 1, now)
            return 0

    def _now(self, who: str, now: float) -> float:
        left, at = self._left.get(who, (self.per_minute, now))
        return min(self.per_minute, left + (now - at) * self.per_minute / 60)

    def _forget_full(self, now: float) -> None:
        for who in [w for w in self._left if self._now(w, now) >= self.per_minute]:
            del self._left[who]
