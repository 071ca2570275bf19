"""Bit times that the edges of a line allow.

The distance of two edges inside a frame is a whole number of bit times, so the shortest distances, divided by
small whole numbers, are the candidates; usual rates near them are added, since a record may hold no single
bit at all (a line of 0x00 only has pulses of nine). Which one is right is decided by parsing (search.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import distinct, median

USUAL_BAUD = (
    50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 14400, 19200, 28800, 31250, 38400,
    57600, 76800, 115200, 230400, 250000, 460800, 500000, 576000, 921600, 1000000, 1152000, 1500000, 2000000,
    2500000, 3000000, 3500000, 4000000,
)  # fmt: skip
"""Rates in use (standards.md 4.2; the list of a widely used serial library, and common practice)."""
USUAL_WITHIN = 0.025
"""Relative distance at which a rate still counts as a usual one: two ends of 1 % and a margin."""
ALIKE = 0.1
"""Relative width of a group of alike distances."""
LONGEST, OFF_GRID, FEW = 8.5, 0.15, 6
"""A bit time is ruled out when half of the distances below LONGEST bits are OFF_GRID bits off; not by FEW."""
SAME = 0.012
"""Candidates closer than this are one; the fit brings them to the same value."""


def frequent_distances(times: NDArray[np.float64], most: int = 4) -> list[float]:
    """The shortest group of alike edge distances and the most frequent ones, seconds, shortest first.

    Glitches make short distances, but each another one; the bits of a line repeat theirs.
    """
    distances = np.diff(times)
    distances = distances[distances > 0]
    if len(distances) == 0:
        return []
    groups = np.rint(np.log(distances / distances.min()) / np.log1p(ALIKE)).astype(np.int64)
    names = distinct(groups)
    counts = np.bincount(np.searchsorted(names, groups))
    chosen = {int(names[0]), *names[np.argsort(-counts, kind="stable")[:most]].tolist()}
    return [median(distances[groups == name]) for name in sorted(chosen)]


def candidate_bit_times(times: NDArray[np.float64], least_s: float) -> list[float]:
    """Bit times worth a parse, seconds; `least_s` is the shortest that the sampling can show."""
    distances = frequent_distances(times)
    if not distances:
        return []
    raw = [distances[0] / divisor for divisor in range(1, 11)]
    raw += [distance / divisor for distance in distances[1:] for divisor in (1, 2, 3)]
    raw += [1 / baud for baud in USUAL_BAUD if any(_is_divisor(distance * baud) for distance in distances)]
    found: list[float] = []
    for bit_time in sorted(raw, reverse=True):
        new = not any(abs(bit_time / other - 1) < SAME for other in found)
        if bit_time >= least_s and new and _fits(times, bit_time):
            found.append(bit_time)
    return found


def _fits(times: NDArray[np.float64], bit_time_s: float) -> bool:
    """Whether the short distances of edges lie on a grid of that bit time, at least half of them."""
    distances = np.diff(times) / bit_time_s
    near = distances[(distances > 0.5) & (distances < LONGEST)]
    return len(near) < FEW or median(np.abs(near - np.rint(near))) < OFF_GRID


def _is_divisor(ratio: float) -> bool:
    return 0.9 < ratio < 10.5 and abs(ratio - round(ratio)) < USUAL_WITHIN * ratio


def usual_baud(bit_time_s: float) -> float | None:
    """The usual rate that such a bit time belongs to, or None."""
    near = [baud for baud in USUAL_BAUD if abs(baud * bit_time_s - 1) <= USUAL_WITHIN]
    return float(min(near, key=lambda baud: abs(baud * bit_time_s - 1))) if near else None
