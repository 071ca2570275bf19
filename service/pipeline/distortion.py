"""Distortion of start-stop signals: how far edges lie from where they belong, in percent of the unit
interval.

Terms: FS-1037C (start-stop and isochronous distortion), an army signal course SS0031 (bias distortion).
Positive deviations are late.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import distinct
from service.pipeline.readings import BREAK, CUT, FRAMING, LineReading


@dataclass(frozen=True, eq=False)
class Deviations:
    """Edges inside frames, seen from the start edge of their frame; arrays of shape (edges,)."""

    part: NDArray[np.float64]
    """(actual - ideal instant) / unit interval; the ideal instant is a whole number of unit intervals."""
    to_mark: NDArray[np.bool_]
    """True where the line goes to the idle (mark) state."""
    frame: NDArray[np.int64]
    """Which frame the edge belongs to."""


def start_stop(deviations: Deviations) -> float | None:
    """Largest deviation of any edge from its frame's start edge, percent; None without edges."""
    return 100 * float(np.max(np.abs(deviations.part))) if len(deviations.part) else None


def isochronous(deviations: Deviations) -> float | None:
    """Largest difference between the actual and the ideal interval of any two edges of one frame, percent.

    The start edge itself counts as an edge with deviation zero.
    """
    if not len(deviations.part):
        return None
    firsts = np.flatnonzero(np.diff(deviations.frame, prepend=-1))
    latest = np.maximum(np.maximum.reduceat(deviations.part, firsts), 0.0)
    earliest = np.minimum(np.minimum.reduceat(deviations.part, firsts), 0.0)
    return 100 * float(np.max(latest - earliest))


def bias(deviations: Deviations) -> float | None:
    """Mean lateness of edges to mark over that of edges to space, percent.

    Positive: spaces are long (spacing bias); negative: marks are long (marking bias). The start edge, an edge
    to space with deviation zero, counts once for each frame. None without an edge to mark.
    """
    to_mark = deviations.part[deviations.to_mark]
    to_space = deviations.part[~deviations.to_mark]
    frames = len(distinct(deviations.frame))
    if not len(to_mark):
        return None
    return 100 * (float(np.mean(to_mark)) - float(np.sum(to_space)) / (len(to_space) + frames))


def in_frames(reading: LineReading, unit_s: float) -> Deviations:
    """Deviations of all edges of all whole, rightly framed characters, for a unit interval of `unit_s`
    seconds.
    """
    characters, edges = reading.characters, reading.edges
    good = np.flatnonzero(
        ((characters.errors & (CUT | FRAMING | BREAK)) == 0)
        & (characters.first_edge >= 0)
        & (characters.last_edge > characters.first_edge)
    )
    counts = characters.last_edge[good] - characters.first_edge[good]
    if not len(good):
        return Deviations(np.empty(0), np.empty(0, dtype=bool), np.empty(0, dtype=np.int64))
    frame = np.repeat(good, counts)
    within = np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)
    index = characters.first_edge[frame] + 1 + within
    elapsed = (edges.times_s[index] - edges.times_s[characters.first_edge[frame]]) / unit_s
    ideal = np.rint(elapsed / _rate_ratio(reading, unit_s)) if reading.bit_time_s else np.rint(elapsed)
    return Deviations(elapsed - ideal, edges.rising[index] == bool(reading.idle_high), frame)


def _rate_ratio(reading: LineReading, unit_s: float) -> float:
    """Measured over stated unit interval: which bit an edge belongs to is told by the measured one."""
    assert reading.bit_time_s is not None
    return reading.bit_time_s.value / unit_s
