"""Overshoot of a line (IEEE 181): how far it goes beyond the state that an edge leads to."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.levels import States

SOME = 64
"""Edges of each direction that are looked at."""
LONGEST = 256
"""Samples after an edge in which the greatest excursion is sought, at most."""


def overshoot_percent(
    codes: NDArray[Any], states: States, positions: NDArray[np.float64], rising: NDArray[np.bool_], bit: float
) -> float | None:
    """Median over the edges of the greatest excursion in the half bit after them, percent of the swing.

    `positions` and `bit` in samples, `rising` as the codes rise. The greatest of n samples of noise lies
    sqrt(2 ln n) standard deviations out by itself; that much is taken off in quadrature. None without edges
    that have room.
    """
    reach = min(int(bit / 2), LONGEST)
    if len(positions) == 0:
        return None
    first = np.ceil(positions).astype(np.int64)
    room = np.append(np.diff(first), len(codes) - first[-1:]) > reach
    chosen = np.flatnonzero(room)
    chosen = chosen[:: max(len(chosen) // (2 * SOME), 1)]
    if reach < 3 or len(chosen) == 0:
        return None
    after = codes[first[chosen, None] + np.arange(reach)].astype(np.float64)
    up = rising[chosen]
    beyond = np.where(up, after.max(axis=1) - states.high, states.low - after.min(axis=1))
    swing = states.high - states.low
    seen = float(np.median(beyond)) / swing
    by_noise = states.noise / swing * float(np.sqrt(2 * np.log(reach)))
    return 100 * float(np.sqrt(max(seen * abs(seen) - by_noise**2, 0.0)))
