"""Crossings with hysteresis, sample by sample: exact for any signal, and the measure of the faster way
(scan.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

BLOCK = 1 << 17
"""Samples done at a time; bounds the memory of the per-sample work."""


@dataclass(frozen=True)
class Thresholds:
    """In codes: a sample at or below `low` is surely low, at or above `high` surely high."""

    low: Any
    middle: Any
    high: Any

    @classmethod
    def between(cls, low: float, high: float, band: float = 0.4) -> Thresholds:
        """Middle of two states, and a band of that share of the swing around it."""
        middle, half = 0.5 * (low + high), 0.5 * band * (high - low)
        return cls(middle - half, middle, middle + half)

    def as_type(self, kind: np.dtype[Any]) -> Thresholds:
        """The same in numbers that codes of that type can be compared with at full speed."""
        if kind.kind == "f":
            return Thresholds(*(kind.type(value) for value in (self.low, self.middle, self.high)))
        info = np.iinfo(kind)
        whole = int(np.floor(self.low)), int(np.ceil(self.middle)), int(np.ceil(self.high))
        return Thresholds(*(kind.type(min(max(value, info.min), info.max)) for value in whole))


@dataclass(frozen=True, eq=False)
class Crossings:
    """Edges of a record, alternating, in samples from its first one; both arrays of shape (edges,)."""

    positions: NDArray[np.float64]
    rising: NDArray[np.bool_]
    runts: int = 0
    """Excursions over the middle that came back before they reached the other state."""

    @classmethod
    def joined(cls, parts: list[Crossings]) -> Crossings:
        """Several stretches of one record as one, in the order given."""
        return cls(
            np.concatenate([np.zeros(0), *(part.positions for part in parts)]),
            np.concatenate([np.zeros(0, np.bool_), *(part.rising for part in parts)]),
            sum(part.runts for part in parts),
        )


def interpolate(
    before: NDArray[Any], after: NDArray[Any], first_new: NDArray[np.int64], middle: float
) -> NDArray[np.float64]:
    """Positions where the lines from the codes `before` to those `after` (of sample first_new) meet the
    middle.
    """
    start = before.astype(np.float64)
    step = after.astype(np.float64)
    step -= start
    step[step == 0] = np.inf
    np.subtract(middle, start, out=start)
    start /= step
    np.maximum(start, 0.0, out=start)
    np.minimum(start, 1.0, out=start)
    start += first_new
    start -= 1
    return start


def crossings_by_samples(codes: NDArray[Any], limits: Thresholds, middle: float) -> Crossings:
    """All edges of contiguous codes. A slow or noisy edge counts once, at the middle of its crossings."""
    parts = []
    start, stop = 0, min(BLOCK, len(codes))
    while start < len(codes):
        found, resume = _block(codes[start:stop], limits, middle)
        parts.append(Crossings(found.positions + start, found.rising, found.runts))
        if stop == len(codes):
            break
        start, stop = start + resume, min(stop + BLOCK, len(codes))
    return Crossings.joined(parts)


def _block(codes: NDArray[Any], limits: Thresholds, middle: float) -> tuple[Crossings, int]:
    """Edges of one block, and the sample (its last settled one) from which the next block must start."""
    side = (codes >= limits.high).view(np.int8) - (codes <= limits.low).view(np.int8)
    settled = np.flatnonzero(side)
    if len(settled) == 0:
        return Crossings(np.zeros(0), np.zeros(0, np.bool_)), 0
    high = side[settled] > 0
    gaps = np.flatnonzero((high[1:] != high[:-1]) | (np.diff(settled) > 1))
    last, first, rising = settled[gaps], settled[gaps + 1], high[gaps + 1]
    flips = high[gaps] != rising
    above = np.cumsum(codes >= limits.middle, dtype=np.int32)
    seen_high = above[first - 1] - above[last]
    on_old_side = np.where(high[gaps], seen_high, first - last - 1 - seen_high)
    runts = int(((first - last - 1 - on_old_side)[~flips] > 0).sum())
    crossing = (last + 1 + on_old_side)[flips]
    return Crossings(
        interpolate(codes[crossing - 1], codes[crossing], crossing, middle), rising[flips], runts
    ), int(settled[-1])
