"""Fault switches: what a broken instrument does on the way to its controller.

Set by DIAGnostic:FAULt or from the start (command line, `--fault`). A switch works a number of times, from
the start for ever unless a number is given. One row per switch at the foot.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from simulator.scope.errors import ScpiError

FOR_EVER = math.inf


class Switches:
    """Which faults are on and how often they still work."""

    def __init__(self, from_the_start: Sequence[str] = ()) -> None:
        self._left: dict[str, float] = {}
        for entry in from_the_start:
            name, _, times = entry.partition(":")
            self.set(name, float(times) if times else FOR_EVER)

    def set(self, name: str, times: float = 1) -> None:
        """Switches a fault on for so many times; 0 switches it off. ScpiError -224 for an unknown one."""
        if name not in NAMES:
            raise ScpiError(-224, f"{name[:20]} is none of {','.join(NAMES)}")
        self._left[name] = times

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


SWITCHES = (("dies-in-block", "sends half of a record and drops the connection"),)
"""Name, about. A transport asks for each by name."""

NAMES = tuple(name for name, _ in SWITCHES)
