"""The slow part of a step, seen in traffic: a probe that is not trimmed shows every step by a share too large
(or too small) at once and settles to the right size with a time constant of some tens of bits.

The pole-zero model (R1 C1 against R2 C2): shown = right + e x high-passed(right), e the compensation error
(positive: over-compensated), the high pass with tau = (R1 parallel R2)(C1 + C2). A line that rests for long
and then carries many bits of one kind shows both, so that e comes from a straight least-squares fit at each
of some taus; the tau with the smallest rest counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.readings import LineReading, Value

SHORTEST_TAU_S, LONGEST_TAU_S, TAUS = 40e-6, 240e-6, 10
"""9 Mohm parallel 1 Mohm is 0.9 Mohm; inputs and cables of 45 to 270 pF (common practice, no source)."""
AWAY_S = 0.15e-6
"""So long after an edge nothing is looked at: the edge itself, overshoot, ringing."""
FEWEST = 24
TOLD_APART = 1e-10
"""Least to greatest eigenvalue of the normal equations: below, the answer is mostly rounding."""
MODEL_PERCENT = 0.15
"""Of the step: how far ideal edges and a single time constant carry (expanded)."""


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Means of short stretches between edges."""

    at_s: NDArray[np.float64]
    volts: NDArray[np.float64]
    weight: NDArray[np.float64]
    """Samples in each."""
    high: NDArray[np.float64]
    """1 where the line was high, else 0."""


def slow_part(reading: LineReading) -> Value | None:
    """The compensation error e in percent of the step; None where the traffic does not show it.

    The record must begin with the line at rest, for some hundreds of microseconds or since long before.
    """
    if reading.levels is None or len(reading.edges) < 2 or reading.idle_high is None:
        return None
    pieces = _pieces(reading)
    if len(pieces.at_s) < FEWEST:
        return None
    fits = [_fit(reading, pieces, tau) for tau in np.geomspace(SHORTEST_TAU_S, LONGEST_TAU_S, TAUS)]
    known = [fit for fit in fits if fit is not None]
    if not known:
        return None
    _, percent, u = min(known)
    u_all = math.hypot(u, MODEL_PERCENT)
    return Value(percent, u_all, u_all, "%")


def _pieces(reading: LineReading) -> _Pieces:
    """Each stretch between two edges, without its beginning, cut into pieces far shorter than any tau."""
    trace, edges = reading.trace, reading.edges
    length = max(int(SHORTEST_TAU_S / 8 / trace.interval_s), 4)
    away = int(AWAY_S / trace.interval_s) + 2
    at = np.ceil((edges.times_s - trace.start_s) / trace.interval_s).astype(np.int64)
    starts = np.concatenate(([0], at + away))
    ends = np.concatenate((at - 2, [len(trace)]))
    levels = np.concatenate(([not edges.rising[0]], edges.rising)).astype(np.float64)
    cuts: list[tuple[int, int, float]] = []
    for start, end, high in zip(starts.tolist(), ends.tolist(), levels.tolist(), strict=True):
        cuts += [(a, min(a + length, end), high) for a in range(start, end - 1, length)]
    sums = np.concatenate(([0.0], np.cumsum(trace.codes, dtype=np.float64)))
    a, b, high_at = (np.array(column) for column in zip(*cuts, strict=True)) if cuts else (np.empty(0),) * 3
    a, b = a.astype(np.int64), b.astype(np.int64)
    means = (sums[b] - sums[a]) / np.maximum(b - a, 1)
    middle = trace.start_s + (a + b - 1) / 2 * trace.interval_s
    return _Pieces(middle, trace.volts(means), (b - a).astype(np.float64), high_at)


def _fit(reading: LineReading, pieces: _Pieces, tau_s: float) -> tuple[float, float, float] | None:
    """Rest (chi-squared), e in percent, its expanded uncertainty; None where the pieces do not tell base,
    swing and slow part apart.
    """
    slow = _high_passed(reading, pieces.at_s, tau_s)
    design = np.column_stack([np.ones_like(slow), pieces.high, slow])
    root = np.sqrt(pieces.weight)
    weighted = design * root[:, None]
    normal = weighted.T @ weighted
    if np.linalg.matrix_rank(normal, rtol=TOLD_APART, hermitian=True) < 3:
        return None
    inverse = np.linalg.inv(normal)
    found = inverse @ (weighted.T @ (pieces.volts * root))
    swing = float(found[1])
    if not abs(swing) > 0:
        return None
    rest = float((((pieces.volts - design @ found) * root) ** 2).sum())
    scatter = rest / max(len(slow) - 3, 1)
    u = 2 * math.sqrt(scatter * float(inverse[2, 2])) / abs(swing)
    return rest, 100 * float(found[2]) / swing, 100 * u


def _high_passed(reading: LineReading, at_s: NDArray[np.float64], tau_s: float) -> NDArray[np.float64]:
    """The ideal line (0 and 1) behind a high pass that was at rest before the first edge."""
    times = reading.edges.times_s
    steps = np.where(reading.edges.rising, 1.0, -1.0)
    after = np.empty(len(times))
    state, last = 0.0, float(times[0])
    for n, (time, step) in enumerate(zip(times.tolist(), steps.tolist(), strict=True)):
        state = state * math.exp(-(time - last) / tau_s) + step
        after[n], last = state, time
    edge = np.searchsorted(times, at_s) - 1
    known = edge >= 0
    safe = np.clip(edge, 0, len(times) - 1)
    decayed = after[safe] * np.exp(-np.maximum(at_s - times[safe], 0.0) / tau_s)
    return np.where(known, decayed, 0.0)
