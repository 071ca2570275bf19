"""How much of one line's steps shows on the other line while that one is at rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import median
from service.pipeline.readings import LineReading
from service.pipeline.trace import Trace

MOST_EDGES = 512
REACH_BITS = 0.35
"""Part of a bit on either side of an edge that is looked at: far enough to see a step, short of the next
edge.
"""
FEWEST_EDGES = 4
SURE = 5.0
"""Times its own scatter: the largest of many means is looked at, three are often reached by chance."""


@dataclass(frozen=True, eq=False)
class Copy:
    """How large, in percent of the source's swing."""

    percent: float


def copy_on(reading: LineReading, source: LineReading) -> Copy | None:
    """The source's copy on a line, None where it cannot be told or is not beyond its own scatter.

    At each edge of the source at which the line has no full-swing edge of its own the waveform is cut out,
    turned by the edge's direction and averaged: noise and what does not belong to the source averages out, a
    copied step or spike stays.
    """
    if source.levels is None or source.bit_time_s is None or not len(source.edges):
        return None
    trace = reading.trace
    reach = int(REACH_BITS * source.bit_time_s.value / trace.interval_s)
    own = reading.edges.times_s if reading.levels and _full(reading, source) else np.empty(0)
    times, signs = _lonely(source, own)
    at = np.ceil((times - trace.start_s) / trace.interval_s).astype(
        np.int64
    )  # the first sample after the edge
    inside = (at >= reach) & (at < len(trace) - reach)
    at, signs = at[inside][:MOST_EDGES], signs[inside][:MOST_EDGES]
    if len(at) < FEWEST_EDGES or reach < 1:
        return None
    cuts = trace.volts(trace.codes[at[:, None] + np.arange(-reach, reach + 1)])
    return _size(cuts, signs, reach, source.levels.amplitude_v)


def _full(reading: LineReading, source: LineReading) -> bool:
    assert reading.levels is not None
    assert source.levels is not None
    return reading.levels.amplitude_v > 0.5 * source.levels.amplitude_v


def _lonely(source: LineReading, own: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The source's edges with no edge of the line's own within a bit time, and their directions (+1 up)."""
    assert source.bit_time_s is not None
    times = source.edges.times_s
    signs = np.where(source.edges.rising, 1.0, -1.0)
    if not len(own):
        return times, signs
    after = np.searchsorted(own, times)
    gap = np.minimum(
        np.abs(times - own[np.clip(after - 1, 0, len(own) - 1)]),
        np.abs(own[np.clip(after, 0, len(own) - 1)] - times),
    )
    keep = gap > source.bit_time_s.value
    return times[keep], signs[keep]


def _size(cuts: NDArray[np.float64], signs: NDArray[np.float64], reach: int, swing_v: float) -> Copy | None:
    """Step (after less before) or spike (largest mean excursion): the larger, against its scatter."""
    base = cuts[:, : max(reach // 2, 1)].mean(axis=1)
    turned = (cuts - base[:, None]) * signs[:, None]
    mean = turned.mean(axis=0)
    error = float(np.sqrt(turned.var(axis=0).mean())) / np.sqrt(len(cuts))
    k = reach // 2 + 1 + int(np.argmax(np.abs(mean[reach // 2 + 1 :])))
    if abs(mean[k]) < SURE * error + 1e-12:
        return None
    # a spike of one sample falls on one or the other side of the edge: look at the neighbours too, less what
    # the
    # largest of three noisy samples is too large by
    near = turned[:, k - 1 : k + 2] * np.sign(mean[k])
    noise = float(turned[:, : max(reach // 2, 1)].std())
    largest = float(near.max(axis=1).mean()) - 0.85 * noise
    return Copy(100 * max(largest, float(abs(mean[k]))) / swing_v)


def rest_level(trace: Trace) -> float:
    """The level that the line held for most of the record, volts."""
    every = max(len(trace) // 20_000, 1)
    return median(trace.codes[::every]) * trace.volts_per_code + trace.volts_at_code_zero
