"""Overshoot of a line (IEEE 181): how far it goes beyond the state that an edge leads to."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import median
from service.pipeline.levels import States
from service.pipeline.readings import Edges
from service.pipeline.sampling import runs_at
from service.pipeline.trace import Trace

SOME = 48
"""Edges that are looked at, about."""
LONGEST = 256
"""Samples after an edge in which the greatest excursion is sought, at most."""


def overshoot_percent(
    trace: Trace, codes: NDArray[Any], states: States, edges: Edges, bit_time_s: float
) -> float | None:
    """Median over the edges of the greatest excursion in the half bit after them, percent of the swing.

    `codes` are the trace's, contiguous. The greatest of n samples of noise lies sqrt(2 ln n) standard
    deviations out by itself; that much is taken off in quadrature. None without edges that have room.
    """
    reach = min(int(bit_time_s / trace.interval_s / 2), LONGEST)
    if reach < 3 or len(edges) == 0:
        return None
    # an odd stride meets rising and falling edges in turn
    chosen = np.arange(0, len(edges), max(len(edges) // SOME, 1) | 1)
    room = np.empty(len(edges))
    np.subtract(edges.times_s[1:], edges.times_s[:-1], out=room[:-1])
    room[-1] = trace.end_s - edges.times_s[-1]
    chosen = chosen[room[chosen] > reach * trace.interval_s]
    if len(chosen) == 0:
        return None
    first = np.ceil((edges.times_s[chosen] - trace.start_s) / trace.interval_s).astype(np.int64)
    after = runs_at(codes, first, reach)
    up = edges.rising[chosen] == (trace.volts_per_code > 0)
    highest, lowest = (ends.astype(np.float64) for ends in (after.max(axis=1), after.min(axis=1)))
    beyond = np.where(up, highest - states.high, states.low - lowest)
    swing = states.high - states.low
    seen = median(beyond) / swing
    by_noise = states.noise / swing * math.sqrt(2 * math.log(reach))
    return 100 * math.sqrt(max(seen * abs(seen) - by_noise**2, 0.0))
