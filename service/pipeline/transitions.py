"""Rise and fall times: 10 to 90 % of the swing (IEEE 181 transition duration), by interpolation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import median
from service.pipeline.expectation import Accuracy
from service.pipeline.readings import LineReading, Value
from service.pipeline.uncertainty import K, with_scale

MOST_EDGES = 256
"""Edges of one kind that are measured; more do not make a median better in a way that matters."""
LOW_PART, HIGH_PART = 0.1, 0.9


@dataclass(frozen=True)
class Transition:
    """`value` is None where an edge has fewer samples than `fewest`; then it took less than `under_s`."""

    value: Value | None
    under_s: float
    edges: int


def over_shots(
    readings: Sequence[LineReading], *, rising: bool, accuracy: Accuracy, fewest: float = 3.0
) -> Transition | None:
    """Median transition time of all whole edges of one kind in all shots; None where there was none.

    Refused below `fewest` samples an edge: interpolation of a one-pole edge is biased by 8 % there and worse
    below.
    """
    found = [durations(r, rising=rising) for r in readings]
    all_s = np.concatenate(found) if found else np.empty(0)
    all_s = all_s[np.isfinite(all_s)]
    if not len(all_s):
        return None
    interval = max(r.trace.interval_s for r in readings)
    middle = median(all_s)
    if middle < fewest * interval:
        return Transition(None, fewest * interval, len(all_s))
    # median of n: 1.2533 s / sqrt(n) (normal), plus the interpolation's own grain, rectangular over one
    # sample
    scatter = 1.2533 * float(np.std(all_s)) / np.sqrt(len(all_s))
    grain = interval / np.sqrt(12)
    u_record = K * float(np.hypot(scatter, grain))
    return Transition(with_scale(middle, u_record, accuracy.timebase_ppm * 1e-6, "s"), middle, len(all_s))


def durations(reading: LineReading, *, rising: bool) -> NDArray[np.float64]:
    """Seconds from the 10 to the 90 % crossing of each edge of one kind, shape (edges,); NaN where cut off.

    From the edge's 50 % crossing the samples are followed outwards on both sides until they pass the levels.
    """
    levels, edges, trace = reading.levels, reading.edges, reading.trace
    if levels is None:
        return np.empty(0)
    chosen = np.flatnonzero(edges.rising == rising)[:MOST_EDGES]
    reach = _reach(reading)
    low = levels.low_code + LOW_PART * (levels.high_code - levels.low_code)
    high = levels.low_code + HIGH_PART * (levels.high_code - levels.low_code)
    first, last = (low, high) if rising else (high, low)
    upwards = rising == (high > low)
    out = np.full(len(chosen), np.nan)
    for k, edge in enumerate(chosen):
        at = (edges.times_s[edge] - trace.start_s) / trace.interval_s
        before = _crossing(trace.codes, at, first, -1, reach, upwards)
        after = _crossing(trace.codes, at, last, +1, reach, upwards)
        out[k] = (after - before) * trace.interval_s
    return out


def _reach(reading: LineReading) -> int:
    """How many samples on either side of an edge belong to it: up to the neighbouring edges of a bit."""
    return int(np.ceil(reading.samples_per_bit or 64)) + 1


def _crossing(
    codes: NDArray[np.generic], at: float, level: float, step: int, reach: int, upwards: bool
) -> float:
    """Sample position where the waveform last (step -1: before `at`) or first (+1) crosses the level; NaN if
    not.
    """
    inner = int(np.floor(at)) if step < 0 else int(np.ceil(at))
    stop = inner + step * reach
    if step < 0:
        window = np.asarray(codes[max(stop, 0) : inner + 1][::-1], dtype=np.float64)
        passed = window <= level if upwards else window >= level
    else:
        window = np.asarray(codes[max(inner, 0) : max(stop, 0)], dtype=np.float64)
        passed = window >= level if upwards else window <= level
    hits = np.flatnonzero(passed)
    if not len(hits) or inner < 0:
        return float("nan")
    k = int(hits[0])
    outer = inner + step * k
    near = float(codes[outer - step]) if 0 <= outer - step < len(codes) else float(window[k])
    far = float(window[k])
    part = 1.0 if near == far else (level - near) / (far - near)
    return (outer - step) + step * min(max(part, 0.0), 1.0)
