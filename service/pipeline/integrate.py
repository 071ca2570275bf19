"""Integrate and dump: characters from the sum of all samples of each element, for lines deep in noise.

Theory of operation
With white noise the best decision on an element is the sign of the sum of its samples about the middle of the
two levels; with n samples the error rate is Q(sqrt(n) a/sigma). No single edge can be trusted, so frames are
found as a whole: the most likely record is the one that explains the most. Counted against "idle all the
time", a frame at s gains
    -2 S_start + sum over data elements of 2 max(-S, 0),
S being the sums of its elements, mark positive. The best chain of frames that do not overlap follows from one
pass (dynamic programming) over a grid of GRID places a bit; then each start is moved to where
    sum before - S_start + sum |S| + S_stop
is greatest (joint frame timing: every edge of the frame helps to place it).

All sums are differences of one cumulative sum.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GRID = 8
"""Places for a start edge in one bit time."""
SLACK = 2
"""Places by which a stop element may be short: a sender a little faster than the bit time that is tried must
not lose a character each time the difference has grown to a place."""
PIECE = 1 << 16
"""Places done at a time: as numbers of Python they take eight times the memory."""
FRAMES_AT_ONCE = 256
FINE = 12
"""Steps to each side in which a start is refined, over one place of the grid and a half."""


@dataclass(frozen=True, eq=False)
class Sums:
    """The cumulative sum of a line about its middle, mark positive; entry i holds the first i samples."""

    total: NDArray[np.float64]

    @classmethod
    def of(cls, codes: NDArray[np.generic], middle: float, idle_high: bool) -> Sums:
        total = np.empty(len(codes) + 1)
        total[0] = 0.0
        np.subtract(codes, middle, out=total[1:])
        if not idle_high:
            np.negative(total, out=total)
        np.cumsum(total, out=total)
        return cls(total)

    def upto(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """The sum of all samples before each place, places between samples included."""
        inside = np.clip(places, 0, len(self.total) - 1.000001)
        whole = inside.astype(np.int64)
        first = self.total[whole]
        return first + (self.total[whole + 1] - first) * (inside - whole)

    def elements(self, starts: NDArray[np.float64], bit: float, count: int) -> NDArray[np.float64]:
        """Sums of the first `count` elements of frames at `starts`; shape starts.shape + (count,)."""
        borders = self.upto(starts[..., None] + bit * np.arange(count + 1))
        return borders[..., 1:] - borders[..., :-1]


def frame_starts(sums: Sums, bit: float, stop: int) -> tuple[NDArray[np.float64], float]:
    """Starts, in samples, of the most likely chain of frames, and what it gains over an idle line.

    `stop` is the number of elements before the stop element.
    """
    grid = sums.upto(np.arange(int((len(sums.total) - 1) * GRID / bit) + 1) * bit / GRID)
    length = GRID * (stop + 1) - SLACK
    if len(grid) <= GRID * (stop + 1):
        return np.zeros(0), 0.0
    parts = grid[GRID:] - grid[:-GRID]
    places = len(grid) - GRID * (stop + 1)
    gain = -2 * parts[:places]
    for element in range(1, stop):
        gain -= 2 * np.minimum(parts[element * GRID : element * GRID + places], 0)
    chain, best = _best_chain(gain, length)
    return np.array(chain, np.float64) * bit / GRID, best


def _best_chain(gain: NDArray[np.float64], length: int) -> tuple[list[int], float]:
    """Places of the chain of greatest gain in which two places are at least `length` apart.

    Only which places end a frame is kept for all of them, a byte each; of the sums the last `length`.
    """
    taken = bytearray(length)
    before = [0.0] * length
    for start in range(0, len(gain), PIECE):
        best = before
        for place, more in enumerate(gain[start : start + PIECE].tolist()):
            idle, frame = best[-1], best[place] + more
            best.append(max(idle, frame))
            taken.append(frame > idle)
        before = best[-length:]
    chain, end = [], len(taken) - 1
    while end >= length:
        if taken[end]:
            end -= length
            chain.append(end)
        else:
            end -= 1
    return chain[::-1], before[-1]


def timed_starts(
    sums: Sums, starts: NDArray[np.float64], bit: float, stop: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Starts moved to their best place, and the score of each frame there; FRAMES_AT_ONCE at a time."""
    offsets = np.arange(-FINE, FINE + 1) * (1.5 * bit / GRID / FINE)
    places, scores = np.empty(len(starts)), np.empty(len(starts))
    for first in range(0, len(starts), FRAMES_AT_ONCE):
        some = slice(first, first + FRAMES_AT_ONCE)
        tried = starts[some, None] + offsets
        parts = sums.elements(tried - bit, bit, stop + 2)
        score = parts[..., 0] - parts[..., 1] + np.abs(parts[..., 2:-1]).sum(axis=-1) + parts[..., -1]
        best = score.argmax(axis=1)
        rows = np.arange(len(best))
        places[some], scores[some] = tried[rows, best], score[rows, best]
    return places, scores
