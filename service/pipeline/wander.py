"""A line whose zero wanders: the wander is found from the record and taken away before the line is read.

A fixed threshold fails when both levels move by a good part of the swing (a supply that hums, an AC-coupled
input). An edge does not move: it is a change by the whole swing within few samples, wherever the zero lies.
So changes over a short lag tell the state at every instant; what is left when the states are taken away is
the wander, and it is slow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import median

LAGS = (2, 4, 8, 16, 32, 64)
"""Samples over which a change is looked for: the first that sees nearly the whole swing."""
WHOLE = 0.85
"""Share of the swing, as a four times longer lag shows it, at which a lag is long enough."""
CLEAR = 8.0
"""Swing over noise from which changes can be told from noise."""
LEAP = 0.2
"""Share of the swing by which the wander may change from one point to the next."""
KNOTS = 16
"""Lags between two points of the wander."""


@dataclass(frozen=True, eq=False)
class Wander:
    """A line without its wander, and the wander's size in codes, from peak to peak."""

    codes: NDArray[np.float32]
    extent: float
    swing: float
    """From the low to the high level, codes."""


def without_wander(codes: NDArray[Any], noise: float) -> Wander | None:
    """The codes with a slow movement of both levels taken away; None where there are no clear changes of
    state.
    """
    line = codes.astype(np.float32)
    lag, swing = _lag_and_swing(line)
    if lag == 0 or swing < CLEAR * max(noise, 1e-9):
        return None
    places, rising = _changes(line, lag, swing)
    if len(places) < 2:
        return None
    states = np.repeat(np.append(~rising[:1], rising), np.diff(places, prepend=0, append=len(line)))
    wander = _slow_part(line - np.float32(swing) * states.astype(np.float32), places, lag, swing)
    if wander is None:
        return None
    return Wander(line - wander + wander.mean(), float(np.ptp(wander)), swing)


def _lag_and_swing(line: NDArray[np.float32]) -> tuple[int, float]:
    """The shortest lag over which a change is nearly complete, and that change; (0, 0) on a short record."""
    sizes = {lag: _usual_change(line, lag) for lag in (*LAGS, 128, 256) if 4 * lag < len(line)}
    for lag in LAGS:
        if 4 * lag in sizes and sizes[lag] >= WHOLE * sizes[4 * lag] > 0:
            return lag, sizes[4 * lag]
    return 0, 0.0


def _usual_change(line: NDArray[np.float32], lag: int) -> float:
    """Median size of the greater changes over a lag: each of them near the greatest."""
    size = np.abs(line[lag:] - line[:-lag])
    count = max(len(size) // 2000, 1)
    # only the greater ones are put in order: most are alike, and among equals ordering takes a hundred times
    # as long
    great = np.sort(size[size >= 0.5 * size.max()])
    if len(great) < count:
        great = np.sort(size)
    return median(size[size >= 0.7 * great[-count]])


def _changes(
    line: NDArray[np.float32], lag: int, swing: float
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Places and directions of the changes of state; of two alike in a row the second is left out."""
    change = line[lag:] - line[:-lag]
    side = (change > 0.5 * swing).view(np.int8) - (change < -0.5 * swing).view(np.int8)
    starts = np.flatnonzero(np.diff(side, prepend=0))
    ends = np.append(starts[1:], len(side))
    held = side[starts] != 0
    starts, ends = starts[held], ends[held]
    places, rising = (starts + ends) // 2 + lag // 2, side[starts] > 0
    fresh = np.append(True, rising[1:] != rising[:-1])[: len(rising)]
    return places[fresh], rising[fresh]


def _slow_part(
    rest: NDArray[np.float32], places: NDArray[np.int64], lag: int, swing: float
) -> NDArray[np.float32] | None:
    """The line without its states, smoothed: medians of short stretches, joined by straight lines.

    None where it is not slow: what leaps from one stretch to the next is no wander of the zero.
    """
    width = KNOTS * lag
    if len(rest) < 4 * width:
        return None
    calm = np.ones(len(rest), np.bool_)
    for move in range(-lag, lag + 1):
        calm[np.clip(places + move, 0, len(rest) - 1)] = False
    whole = len(rest) // width * width
    usable = np.flatnonzero(calm[:whole].reshape(-1, width).sum(axis=1) > width // 4)
    if len(usable) < 2:
        return None
    stretches = np.where(calm, rest, np.nan)[:whole].reshape(-1, width)
    knots = np.nanmedian(stretches[usable], axis=1)
    if np.abs(np.diff(knots) / np.diff(usable)).max() > LEAP * swing:
        return None
    wander: NDArray[np.float64] = np.interp(np.arange(len(rest)), (usable + 0.5) * width, knots)
    return wander.astype(np.float32)
