"""Edges of one line: transition occurrence instants (IEEE 181, 50 %) with hysteresis, on the capture's time
axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.hysteresis import Thresholds
from service.pipeline.levels import States
from service.pipeline.readings import Edges
from service.pipeline.scan import find_crossings
from service.pipeline.trace import Trace

BAND = 0.4
"""Width of the hysteresis as a share of the swing: 30 % and 70 %. Ringing of 70 % comes back to 51 %."""
MOSTLY = 3.0
"""Rest in one level over rest in the other from which the line rests in that one."""
SHORTEST = 0.45
"""A pulse shorter than this many bit times is no element of a character (half a bit, less edge distortion).
"""


@dataclass(frozen=True)
class Span:
    """First and last instant of the record, seconds."""

    start_s: float
    end_s: float


def find_edges(trace: Trace, codes: NDArray[Any], states: States) -> Edges:
    """Edges of the line between its two states; `glitches` counts excursions that did not reach the other
    one.

    `codes` are the trace's, contiguous. A negative scale turns falling codes into rising volts.
    """
    found = find_crossings(codes, Thresholds.between(states.low, states.high, BAND))
    rising = found.rising if trace.volts_per_code > 0 else ~found.rising
    return Edges(trace.start_s + found.positions * trace.interval_s, rising, found.runts)


def sample_places(trace: Trace, edges: Edges) -> NDArray[np.int64]:
    """Index of the sample nearest to each edge."""
    return np.rint((edges.times_s - trace.start_s) / trace.interval_s).astype(np.int64)


def without_glitches(edges: Edges, bit_time_s: float) -> Edges:
    """The edges less those of pulses too short to be part of a character, the shortest pulse first."""
    lengths = edges.times_s[1:] - edges.times_s[:-1]
    short = (lengths < SHORTEST * bit_time_s).nonzero()[0]
    if len(short) == 0:
        return edges
    keep = np.ones(len(edges), np.bool_)
    for place in short[np.argsort(lengths[short], kind="stable")].tolist():
        if keep[place] and keep[place + 1]:
            keep[place : place + 2] = False
    removed = int((~keep).sum()) // 2
    return Edges(edges.times_s[keep], edges.rising[keep], edges.glitches + removed)


def idle_level(edges: Edges, span: Span, frame_s: float) -> bool | None:
    """The level in which the line rests for longer than a frame; None when that cannot be told.

    Rest in the other level is breaks, if it is much less; if not, only characters can tell which is which.
    """
    if len(edges) == 0:
        return None
    times, rising = edges.times_s, edges.rising
    lengths = times[1:] - times[:-1]
    long = np.flatnonzero(lengths >= frame_s)
    up = rising[long]
    rest = {False: float(lengths[long[~up]].sum()), True: float(lengths[long[up]].sum())}
    ends = ((not rising[0], times[0] - span.start_s), (bool(rising[-1]), span.end_s - times[-1]))
    for level, length in ends:
        rest[bool(level)] += float(length) if length >= frame_s else 0.0
    usual = rest[True] >= rest[False]
    return usual if rest[usual] > MOSTLY * rest[not usual] else None
