"""A trace as a drawable outline: smallest and largest code of each column, or the samples if few."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.trace import Trace


@dataclass(frozen=True)
class View:
    """A stretch of time mapped on a row of pixels."""

    from_s: float
    to_s: float
    left: float
    width: float

    def x(self, time_s: float) -> float:
        """Where a time is drawn."""
        return self.left + (time_s - self.from_s) / (self.to_s - self.from_s) * self.width

    def holds(self, time_s: float) -> bool:
        """Whether the time lies within the view."""
        return self.from_s <= time_s <= self.to_s


@dataclass(frozen=True)
class Outline:
    """Shape (columns,): times, lowest and highest volts; equal where there is one sample a column."""

    times_s: NDArray[np.float64]
    low_v: NDArray[np.float64]
    high_v: NDArray[np.float64]


def outline(trace: Trace, view: View, columns: int) -> Outline:
    """At most `columns` columns of the trace within the view and one sample beyond, to reach its rim."""
    first, last = _window(trace, view)
    codes = trace.codes[first:last]
    if len(codes) <= 2 * columns:
        volts = trace.volts(codes)
        return Outline(_times(trace, np.arange(first, last)), volts, volts)
    starts = np.linspace(0, len(codes), columns, endpoint=False).astype(np.int64)
    low, high = np.minimum.reduceat(codes, starts), np.maximum.reduceat(codes, starts)
    if trace.volts_per_code < 0:
        low, high = high, low
    centres = (starts + np.append(starts[1:], len(codes)) - 1) / 2 + first
    return Outline(_times(trace, centres), trace.volts(low), trace.volts(high))


def _times(trace: Trace, samples: NDArray[Any]) -> NDArray[np.float64]:
    return np.asarray(trace.start_s + samples * trace.interval_s, dtype=np.float64)


def volt_span(trace: Trace) -> tuple[float, float]:
    """Lowest and highest volts of the whole trace, (0, 0) for an empty one."""
    if len(trace) == 0:
        return 0.0, 0.0
    ends = trace.volts(np.array([trace.codes.min(), trace.codes.max()]))
    return float(ends.min()), float(ends.max())


def crossings(trace: Trace, view: View, level_v: float, hysteresis_v: float) -> NDArray[np.float64]:
    """Times at which the trace passes the level within the view; swings below the hysteresis do not count."""
    first, last = _window(trace, view)
    volts = trace.volts(trace.codes[first:last]) - level_v
    decided = np.flatnonzero(np.abs(volts) > hysteresis_v)
    turns = np.flatnonzero(np.diff(np.sign(volts[decided])) != 0)
    times = [_zero_between(volts, int(decided[i]), int(decided[i + 1])) for i in turns]
    return _times(trace, np.array(times, dtype=np.float64) + first)


def _zero_between(volts: NDArray[Any], before: int, after: int) -> float:
    """Sample position of the sign change between two decided samples, by linear interpolation."""
    part = volts[before : after + 1]
    at = int(np.flatnonzero(np.sign(part[:-1]) != np.sign(part[-1]))[-1])
    return before + at + float(part[at] / (part[at] - part[at + 1]))


def _window(trace: Trace, view: View) -> tuple[int, int]:
    first = int(np.floor((view.from_s - trace.start_s) / trace.interval_s)) - 1
    last = int(np.ceil((view.to_s - trace.start_s) / trace.interval_s)) + 2
    return min(max(first, 0), len(trace)), min(max(last, 0), len(trace))
