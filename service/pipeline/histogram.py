"""A histogram that answers at once: sums over any stretch of its bins come from running totals.

The states of a line are sought with some tens of such sums; on a record of a millisecond's work each would
cost as much as reading ten thousand samples.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

OUTLIERS = 1e-3
"""Share of the samples that may lie beyond the outermost bin that counts: rare spikes are no state."""
VALLEY = 0.6
"""Samples half way between two states, as a share of those in the lesser one, from which they are one state.
"""


class Histogram:
    """Samples by bin; bins are numbered from 0 to `end` - 1, and a stretch of them ends before its `last`."""

    def __init__(self, counts: NDArray[np.intp]) -> None:
        """`counts` has shape (bins,), at least one, not all zero."""
        self.counts = counts
        self.end = len(counts)
        bins = np.arange(self.end)
        first = counts * bins
        # bins, samples and their product stay below 2**53: exact
        self._totals = [_running(of) for of in (counts, first, first * bins)]

    def held(self, first: int, last: int) -> int:
        """Samples in a stretch, which may reach beyond the ends."""
        return int(self._sum(0, first, last))

    def _sum(self, power: int, first: int, last: int) -> int:
        total = self._totals[power]
        first = min(max(first, 0), self.end)
        return int(total[min(max(last, first), self.end)] - total[first])

    def _mean(self, first: int, last: int) -> float:
        first, last = min(max(first, 0), self.end), min(last, self.end)
        return self.held(first, last) / (last - first)

    def span(self) -> tuple[int, int]:
        """Outermost bins that count: at most OUTLIERS of all samples lie beyond each."""
        total = self._totals[0][1:]
        allowed = OUTLIERS * float(total[-1])
        return int(total.searchsorted(allowed, "right")), int(total.searchsorted(float(total[-1]) - allowed))

    def mode(self, first: int, last: int, reach: float) -> int:
        """The bin of a stretch with the most samples, neighbours within about one noise width counted with
        it: a mode of a wide state is not its luckiest bin.
        """
        part = self.counts[first:last]
        width = min(2 * int(reach / 3) + 1, len(part))
        return first + int((part if width < 3 else np.convolve(part, np.ones(width), "same")).argmax())

    def centroid(self, mode: int, reach: float) -> tuple[float, int]:
        """Mean bin within `reach` of the mode, moved along with its own window until it rests; and the
        samples in it.
        """
        centre, held = float(mode), 0
        for _ in range(8):
            first, last = max(math.ceil(centre - reach), 0), min(int(centre + reach) + 1, self.end)
            held = self.held(first, last)
            if held == 0:
                return centre, 0
            moved = self._sum(1, first, last) / held
            if abs(moved - centre) < 0.01:
                return moved, held
            centre = moved
        return centre, held

    def joined(self, low: float, high: float) -> bool:
        """Whether there is no valley between two states: the histogram of one wide one."""
        third = (high - low) / 3
        if third < 1:
            return False
        between = self._mean(round(low + third), round(high - third) + 1)
        beside = min(
            self._mean(max(round(state - third / 2), 0), round(state + third / 2) + 1)
            for state in (low, high)
        )
        return between > VALLEY * beside

    def spread(self, states: tuple[float, float], reach: float) -> float:
        """rms distance, in bins, of the samples near a state from it."""
        low, high = states
        border = (low + high) / 2
        near = 1.4 * reach
        stretches = (
            (low, math.ceil(low - near), min(math.floor(low + near), math.floor(border)) + 1),
            (high, max(math.ceil(high - near), math.floor(border) + 1), math.floor(high + near) + 1),
        )
        squares, held = 0.0, 0
        for state, first, last in stretches:
            held += self.held(first, last)
            squares += self._about(state, first, last)
        return math.sqrt(max(squares, 0.0) / max(held, 1))

    def _about(self, state: float, first: int, last: int) -> float:
        """Sum of squared distances from a state, over a stretch."""
        near = round(state)
        off = state - near
        count, once, twice = (self._sum(power, first, last) for power in range(3))
        # about the nearest bin first, in whole numbers: nothing is lost however far from bin 0 it lies
        first_moment = once - near * count
        second_moment = twice - 2 * near * once + near * near * count
        return second_moment - 2 * off * first_moment + off * off * count


def _running(values: NDArray[Any]) -> NDArray[np.int64]:
    """Sum of all before each place, and of all at the end; shape (values + 1,)."""
    total = np.zeros(len(values) + 1, np.int64)
    values.cumsum(out=total[1:])
    return total
