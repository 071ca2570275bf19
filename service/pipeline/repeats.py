"""How much repeats of one measurement scatter: within a connection, and from one connection to the next.

One-way analysis of variance with groups of unequal size (ISO 5725-2:2019 7.4, ISO/IEC 17025:2017 7.7.1; both
from memory); a variance between connections below zero counts as zero.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Scatter:
    """Standard deviations; `between` is 0 where one connection is all that there is."""

    centre: float
    """Mean of the connections' means, weighted by their repeats."""
    within: float
    between: float
    count: int
    connections: int

    @property
    def together(self) -> float:
        """Of a single measurement after a new connection."""
        return math.hypot(self.within, self.between)


def scatter_of(groups: Sequence[NDArray[np.float64]]) -> Scatter:
    """From the repeats of each connection. ValueError when no connection has two."""
    filled = [g for g in groups if len(g)]
    counts = np.array([len(g) for g in filled], dtype=np.float64)
    total, kinds = float(np.sum(counts)), len(filled)
    if total - kinds < 1:
        raise ValueError("repeats within at least one connection are needed")
    means = np.array([np.mean(g) for g in filled])
    centre = float(np.sum(counts * means) / total)
    inside = float(sum(np.sum((g - m) ** 2) for g, m in zip(filled, means, strict=True)))
    within = inside / (total - kinds)
    between = 0.0
    if kinds > 1:
        outside = float(np.sum(counts * (means - centre) ** 2)) / (kinds - 1)
        usual_size = (total - float(np.sum(counts**2)) / total) / (kinds - 1)
        between = max(outside - within, 0.0) / usual_size
    return Scatter(centre, math.sqrt(within), math.sqrt(between), int(total), kinds)
