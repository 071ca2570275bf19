"""Edges of one line: transition occurrence instants (IEEE 181, 50 %) with hysteresis, on the capture's time
axis.
"""

from __future__ import annotations

import numpy as np

from service.pipeline.hysteresis import Crossings, Thresholds
from service.pipeline.readings import Edges, Levels
from service.pipeline.sampling import contiguous_codes
from service.pipeline.scan import find_crossings
from service.pipeline.trace import Trace

BAND = 0.4
"""Width of the hysteresis as a share of the swing: 30 % and 70 %. Ringing of 70 % comes back to 51 %."""
SHORTEST = 0.45
"""A pulse shorter than this many bit times is no element of a character (half a bit, less edge distortion).
"""


def find_edges(trace: Trace, levels: Levels) -> Edges:
    """Edges of the line between its two levels; `glitches` counts excursions that did not reach the other
    one.
    """
    found = find_crossings(
        contiguous_codes(trace.codes), Thresholds.between(levels.low_code, levels.high_code, BAND)
    )
    return edges_at(trace, found)


def edges_at(trace: Trace, found: Crossings) -> Edges:
    """Crossings in samples -> edges in seconds; a negative scale turns falling codes into rising volts."""
    rising = found.rising if trace.volts_per_code > 0 else ~found.rising
    return Edges(trace.start_s + found.positions * trace.interval_s, rising, found.runts)


def without_glitches(edges: Edges, bit_time_s: float) -> Edges:
    """The edges less those of pulses too short to be part of a character, the shortest pulse first."""
    lengths = np.diff(edges.times_s)
    short = np.flatnonzero(lengths < SHORTEST * bit_time_s)
    if len(short) == 0:
        return edges
    keep = np.ones(len(edges), np.bool_)
    for place in short[np.argsort(lengths[short], kind="stable")].tolist():
        if keep[place] and keep[place + 1]:
            keep[place : place + 2] = False
    removed = int((~keep).sum()) // 2
    return Edges(edges.times_s[keep], edges.rising[keep], edges.glitches + removed)
