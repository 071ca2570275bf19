"""Where the trigger fires over repeated shots: its mean place, how much it moves, and shots that stand apart.

The spread is the standard deviation of n places (n - 1 degrees of freedom); its own standard uncertainty is
s / sqrt(2 (n - 1)) for normal noise (JCGM 100 E.4.3). Shots far from the median by the robust measure 1.4826
MAD (the factor that makes it a standard deviation for normal noise) are outliers: counted, not averaged in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.pipeline.arrays import median
from service.pipeline.readings import Value
from service.pipeline.uncertainty import K, combined

FEWEST = 3
MAD_TO_SIGMA = 1.482602218505602
"""1 / normal quantile of 0.75."""
OUTLIER_SIGMAS, OUTLIER_SHOTS = 6.0, 60.0
"""Six robust spreads are far out for ten or more shots; fewer make the robust spread itself uncertain."""
T_95 = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 6: 2.45, 7: 2.36, 8: 2.31, 9: 2.26, 10: 2.23, 15: 2.13}
"""JCGM 100 table G.2: t at 95 % (3, 4, 6, 7 and 15 from memory)."""


@dataclass(frozen=True)
class Steadiness:
    """Seconds; uncertainties k = 2."""

    mean_s: Value
    """Mean place of the crossing on the record's time axis, outliers left out."""
    spread_s: Value
    """Standard deviation of the place from shot to shot, outliers left out."""
    all_s: Value
    """The same of all shots, those that stand apart too: what a user of this trigger meets."""
    outliers: tuple[int, ...]
    """Numbers of the shots that stand apart."""
    shots: int


def measure_steadiness(places_s: Sequence[float], *, resolution_s: float = 0.0) -> Steadiness:
    """From the instant of the same crossing in each of at least FEWEST shots.

    `resolution_s`: how finely one place is known (rectangular half width, a part of the sample interval):
    spreads below it cannot be told and its share widens both uncertainties. ValueError for too few shots.
    """
    places = np.asarray(places_s, dtype=np.float64)
    if len(places) < FEWEST:
        raise ValueError(f"steadiness needs {FEWEST} shots or more, got {len(places)}")
    floor = resolution_s / math.sqrt(3)
    far = outliers_of(places, floor)
    kept = places[~far]
    mean, n, spread = float(kept.mean()), len(kept), _spread(kept, floor)
    u_mean = combined(student(n - 1) * spread.value / math.sqrt(n), K * floor)
    return Steadiness(
        Value(mean, u_mean, u_mean, "s"),
        spread,
        _spread(places, floor),
        tuple(int(n) for n in np.flatnonzero(far)),
        len(places),
    )


def _spread(places: np.ndarray[tuple[int], np.dtype[np.float64]], floor: float) -> Value:
    """Standard deviation with its own uncertainty (JCGM 100 E.4.3)."""
    spread = float(places.std(ddof=1))
    u = combined(K * spread / math.sqrt(2 * (len(places) - 1)), K * floor)
    return Value(spread, u, u, "s")


def outliers_of(
    places: np.ndarray[tuple[int], np.dtype[np.float64]], floor: float
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which of the places stand apart; never so many that fewer than FEWEST are left."""
    distance = np.abs(places - median(places))
    sigma = max(MAD_TO_SIGMA * median(distance), floor, 1e-300)
    far = distance > max(OUTLIER_SIGMAS, OUTLIER_SHOTS / len(places)) * sigma
    return far if int((~far).sum()) >= FEWEST else np.zeros(len(places), np.bool_)


def student(freedom: int) -> float:
    """t for 95 % at so many degrees of freedom (between rows the next lower one, which is on the safe
    side).
    """
    known = [nu for nu in T_95 if nu <= freedom]
    return T_95[max(known)] if freedom <= max(T_95) else K
