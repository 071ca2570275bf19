"""One wire: the steps that its driver made, in bench time.

A line is a starting voltage and a list of steps; nothing is sampled here. Steps may lie in the future: a
driver that has been given work writes down at once what it is going to do.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

KEPT_STEPS = 1_000_000
"""Older steps are forgotten: at least a record's length of the busiest line stays."""


@dataclass(frozen=True)
class Piece:
    """Part of a line: `start_v` before the first step; step i moves to `volts[i]` around `times[i]`."""

    start_v: float
    times: NDArray[np.float64]
    """Shape (steps,), ascending: the 50 % instants."""
    volts: NDArray[np.float64]
    durations: NDArray[np.float64]
    """10-90 % transition times."""

    def __len__(self) -> int:
        return len(self.times)

    @property
    def steps(self) -> NDArray[np.float64]:
        """Height of each step in volts, shape (steps,)."""
        return np.diff(self.volts, prepend=self.start_v)

    def since(self, origin: float) -> Piece:
        """The same with times counted from `origin`: what is small keeps its digits."""
        return Piece(self.start_v, self.times - origin, self.volts, self.durations)


class Step(NamedTuple):
    """A driver's move to another voltage; `at` is its 50 % instant."""

    at: float
    volts: float
    duration_s: float


class Line:
    """A wire with one driver."""

    def __init__(self, idle_v: float, kept_steps: int = KEPT_STEPS) -> None:
        self._kept_steps = kept_steps
        self._start_v = idle_v
        self._times = array("d")
        self._volts = array("d")
        self._durations = array("d")

    def drive(self, steps: Sequence[Step]) -> None:
        """Appends steps; they come in time order."""
        for step in steps:
            self._times.append(step.at)
            self._volts.append(step.volts)
            self._durations.append(step.duration_s)
        if len(self._times) > 1.25 * self._kept_steps:
            self._forget(len(self._times) - self._kept_steps)

    def piece(self, start: float, end: float) -> Piece:
        """The steps with start <= time < end."""
        first = bisect_left(self._times, start)
        last = bisect_left(self._times, end, lo=first)
        before = self._volts[first - 1] if first else self._start_v
        return Piece(
            before,
            np.array(self._times[first:last], dtype=np.float64),
            np.array(self._volts[first:last], dtype=np.float64),
            np.array(self._durations[first:last], dtype=np.float64),
        )

    def last_step(self, now: float) -> float | None:  # noqa: ARG002 - same face as ReferenceOutput
        """Instant of the last step that is written down, None when there is none."""
        return self._times[-1] if self._times else None

    def _forget(self, count: int) -> None:
        self._start_v = self._volts[count - 1]
        for row in (self._times, self._volts, self._durations):
            del row[:count]


class ReferenceOutput:
    """The scope's own square wave for probe adjustment; it runs for ever, from the scope's clock."""

    def __init__(self, frequency_hz: float, amplitude_v: float, edge_s: float = 30e-9) -> None:
        self._half_s = 0.5 / frequency_hz
        self._amplitude_v = amplitude_v
        self._edge_s = edge_s

    def piece(self, start: float, end: float) -> Piece:
        """The steps with start <= time < end; even half periods end low to high."""
        first = int(np.ceil(start / self._half_s))
        last = max(int(np.ceil(end / self._half_s)), first)
        number = np.arange(first, last)
        volts = np.where(number % 2 == 0, self._amplitude_v, 0.0).astype(np.float64)
        before = 0.0 if first % 2 == 0 else self._amplitude_v
        return Piece(
            before,
            np.asarray(number * self._half_s, dtype=np.float64),
            volts,
            np.full(len(number), self._edge_s),
        )

    def last_step(self, now: float) -> float | None:
        """There is always another one."""
        return now + 2 * self._half_s


class Floating:
    """A node that nothing drives."""

    def piece(self, start: float, end: float) -> Piece:  # noqa: ARG002 - same face as Line
        """No steps, around zero volts."""
        nothing = np.empty(0)
        return Piece(0.0, nothing, nothing, nothing)

    def last_step(self, now: float) -> float | None:  # noqa: ARG002 - same face as Line
        """It has no steps."""
        return None
