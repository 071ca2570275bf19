"""Minimum-edit alignment of two short-lived sequences of characters, with time as judge between equals.

Rows of a dynamic programme (Wagner and Fischer 1974), limited to a band (Ukkonen 1985): with the costs below
a path that leaves a band of half width b needs more than b insertions or deletions, so a result that costs
less is exact; otherwise the band is doubled. Within a row the chain of insertions is a running minimum, so
numpy does a row at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GAP, CHANGE, DOUBT = 20, 30, 1
"""Costs of a missing or extra character, of a changed one, of one that was not wholly seen.

CHANGE is under two GAPs (a changed character is one fault, not two), but two CHANGEs are over two GAPs, so
that two exchanged neighbours keep one of them in place and show the other as moved.
"""
TIE_STEPS = 15
"""How finely the time decides between alignments of equal cost."""
FIRST_BAND = 48
MOST_CELLS = 40_000_000
"""Where the band may not grow further: the alignment is then still a right one, only perhaps not the least.
"""


@dataclass(frozen=True, eq=False)
class Sequence:
    """One line's characters: values, start and end in seconds, `whole` False where the record cut it off."""

    values: NDArray[np.int32]
    start_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    whole: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.values)


def align(
    sent: Sequence, echoed: Sequence, earliest_s: float | None, usual_s: float, spread_s: float
) -> list[Pair]:
    """Pairs (index into sent or None, index into echoed or None) in order, of least cost.

    An echo is paired only if it starts at or after the sent character's end plus `earliest_s` (negative:
    before it; None: whenever). Among alignments of equal cost the one with delays nearest to `usual_s` is
    taken, deviations beyond `spread_s` counting alike.
    """
    n, m = len(sent), len(echoed)
    if n == 0 or m == 0:
        return [(i, None) for i in range(n)] + [(None, j) for j in range(m)]
    half = FIRST_BAND
    while True:
        costs = _Costs(sent, echoed, earliest_s, usual_s, spread_s)
        low, high = min(0, m - n) - half, max(0, m - n) + half
        total, moves = _forward(costs, low, high)
        # leaving the band on either side takes more than `half` gaps beyond those that the lengths ask for
        exact = total < costs.gap * (abs(m - n) + 2 * half) or (low <= -n and high >= m)
        if exact or 2 * n * (high - low) > MOST_CELLS:
            return _backward(moves, n, m, low)
        half *= 2


Pair = tuple[int | None, int | None]


class _Costs:
    """Cost of pairing sent[i] with echoed[columns], in units that leave room for the tie steps below one."""

    def __init__(
        self, sent: Sequence, echoed: Sequence, earliest_s: float | None, usual_s: float, spread_s: float
    ) -> None:
        self.sent, self.echoed = sent, echoed
        self.earliest_s, self.usual_s, self.spread_s = earliest_s, usual_s, max(spread_s, 1e-12)
        self.unit = TIE_STEPS * min(len(sent), len(echoed)) + 1
        self.gap = GAP * self.unit
        self.never = 4 * self.gap

    def pairing(self, i: int, columns: slice) -> NDArray[np.int64]:
        """Shape (columns,): cost of pairing sent[i] with each of echoed[columns]."""
        delay = self.echoed.start_s[columns] - self.sent.end_s[i]
        equal = self.echoed.values[columns] == self.sent.values[i]
        step = np.where(equal, 0, CHANGE * self.unit)
        doubtful = ~self.echoed.whole[columns] | (not self.sent.whole[i])
        step = np.where(doubtful, DOUBT * self.unit, step)
        off = np.minimum(np.abs(delay - self.usual_s) / self.spread_s, 1.0)
        step = step + (off * TIE_STEPS).astype(np.int64)
        if self.earliest_s is not None:
            step = np.where(delay >= self.earliest_s, step, self.never)
        return np.asarray(step, dtype=np.int64)


_PAIR, _MISSING, _EXTRA = 0, 1, 2
_FAR = 1 << 60


def _forward(costs: _Costs, low: int, high: int) -> tuple[int, NDArray[np.uint8]]:
    """Least total cost and the move into each cell; column k of row i stands for j = i + low + k."""
    n, m, width = len(costs.sent), len(costs.echoed), high - low + 1
    moves = np.full((n + 1, width), _EXTRA, dtype=np.uint8)
    ramp = np.arange(width, dtype=np.int64) * costs.gap
    j = np.arange(width) + low
    row = np.where((j >= 0) & (j <= m), j * costs.gap, _FAR)
    for i in range(1, n + 1):
        j = j + 1
        first, last = max(1 - (i + low), 0), min(m - (i + low), width - 1)
        paired = np.full(width, _FAR, dtype=np.int64)
        if first <= last:
            columns = slice(i + low + first - 1, i + low + last)
            paired[first : last + 1] = row[first : last + 1] + costs.pairing(i - 1, columns)
        missing = np.append(row[1:], _FAR) + costs.gap
        best = np.minimum(paired, missing)
        moves[i] = np.where(paired <= missing, _PAIR, _MISSING)
        best[(j < 0) | (j > m)] = _FAR
        row = np.minimum.accumulate(best - ramp) + ramp
        moves[i][row < best] = _EXTRA
        row[(j < 0) | (j > m)] = _FAR
    return int(row[m - n - low]), moves


def _backward(moves: NDArray[np.uint8], n: int, m: int, low: int) -> list[Pair]:
    """The pairs along the moves, from the last cell to the first."""
    pairs: list[Pair] = []
    i, j = n, m
    while i > 0 or j > 0:
        move = int(moves[i, j - i - low]) if i > 0 else _EXTRA
        if j == 0:
            move = _MISSING
        i -= move != _EXTRA
        j -= move != _MISSING
        pairs.append((i if move != _EXTRA else None, j if move != _MISSING else None))
    return pairs[::-1]
