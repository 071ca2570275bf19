"""Fault switches: what a broken instrument does on the way to its controller.

Set by DIAGnostic:FAULt or from the start (command line, `--fault`). A switch works a number of times, from
the start for ever unless a number is given. What each does is in transports/delivery.py, one row per
switch.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from simulator.scope.errors import ScpiError

FOR_EVER = math.inf


class Switches:
    """Which faults are on and how often they still work."""

    def __init__(self, names: Sequence[str], from_the_start: Sequence[str] = ()) -> None:
        """`from_the_start`: entries NAME or NAME:TIMES. ScpiError or ValueError for a wrong one."""
        self._names = tuple(names)
        self._left: dict[str, float] = {}
        self._handlers: dict[str, Callable[[float], None]] = {}
        for entry in from_the_start:
            name, _, times = entry.partition(":")
            self.set(name, float(times) if times else FOR_EVER)

    def set(self, name: str, times: float = 1) -> None:
        """Switches a fault on for so many times; 0 switches it off. ScpiError -224 for an unknown one."""
        if name not in self._names:
            raise ScpiError(-224, f"{name[:20]} is none of {','.join(self._names)}")
        if name in self._handlers:
            self._handlers[name](times)
        else:
            self._left[name] = times

    def handle(self, name: str, handler: Callable[[float], None]) -> None:
        """Somebody does himself what this switch is for, as soon as it is set, with the number that came."""
        self._handlers[name] = handler
        if times := self._left.pop(name, 0):
            handler(times)

    def take(self, name: str) -> bool:
        """True when the fault works now; that uses it up once."""
        left = self._left.get(name, 0)
        if left <= 0:
            return False
        self._left[name] = left - 1
        return True

    def on(self) -> str:
        """Names of those that are on, comma separated."""
        return ",".join(name for name, left in self._left.items() if left > 0)
