"""Delay from channel to channel: both show the same node at the same time, one a little later.

Each edge gives one delay: the later channel's corner is moved until it lies best on the other's (least
squares, Gauss-Newton on a shift; levels of each channel taken off and scaled first, so that gain and zero do
not matter). Several edges give a mean with the scatter of a mean; a single one has what its own samples
allow, u(delay) = noise / sqrt(sum of squared slopes) (the Cramer-Rao bound of a shift).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.hysteresis import Crossings, Thresholds, crossings_by_samples
from service.pipeline.levels import find_states
from service.pipeline.readings import Value
from service.pipeline.sampling import contiguous_codes
from service.pipeline.trace import Trace
from service.pipeline.uncertainty import K, combined, from_tolerance

Floats = NDArray[np.float64]
MOST_EDGES = 64
REACH = 40
"""Samples on either side of an edge that are compared, at most."""
ROUNDS = 12
GRAIN = 0.02
"""Samples; what the cubic between samples leaves for an edge of two samples or more (standard
uncertainty).
"""
UNRESOLVED = 2.0
"""Samples an edge takes (largest step between neighbours, as a share of the swing, turned over): below it a
shift within one sample cannot be known."""
LARGEST = 0.4
"""Of the distance of edges: a delay larger than that belongs to the next edge."""


@dataclass(frozen=True)
class _Side:
    """One channel, scaled to 0..1."""

    shape: Floats
    found: Crossings
    noise: float


def channel_delay(first: Trace, second: Trace, *, timebase_tolerance: float = 0.0) -> Value | None:
    """How much later `second` shows what `first` shows, seconds, k = 2; None where no edge is in both.

    Both traces are of one shot and one node: same start, same interval. ValueError when they are not.
    """
    if first.interval_s != second.interval_s or first.start_s != second.start_s:
        raise ValueError("delay needs two channels of one shot: same start and interval")
    one, other = _side(first), _side(second)
    if one is None or other is None:
        return None
    pairs = _pairs(one.found, other.found)
    shifts = [s for a, b in pairs[:MOST_EDGES] if (s := _shift(one, other, a, b)) is not None]
    if not shifts:
        return None
    values = np.array([s for s, _ in shifts])
    singles = np.array([u for _, u in shifts])
    mean, n = float(values.mean()), len(values)
    scatter = float(values.std(ddof=1)) / math.sqrt(n) if n > 2 else 0.0
    u_record = K * max(scatter, float(np.sqrt((singles**2).sum())) / n) * first.interval_s
    seconds = mean * first.interval_s
    return Value(
        seconds, combined(u_record, from_tolerance(timebase_tolerance) * abs(seconds)), u_record, "s"
    )


def _side(trace: Trace) -> _Side | None:
    codes = contiguous_codes(trace.codes)
    states = find_states(codes)
    if states is None or not states.two:
        return None
    swing = states.high - states.low
    found = crossings_by_samples(
        codes, Thresholds.between(states.low, states.high), 0.5 * (states.low + states.high)
    )
    shape = (codes.astype(np.float64) - states.low) / swing
    noise = max(states.noise, states.step / math.sqrt(12)) / swing
    if trace.volts_per_code < 0:
        shape, found = 1.0 - shape, Crossings(found.positions, ~found.rising)
    return _Side(shape, found, noise)


def _pairs(one: Crossings, other: Crossings) -> list[tuple[float, float]]:
    """Positions of the same edge in both: the nearest of the same direction."""
    pairs = []
    gap = float(np.diff(one.positions).min()) if len(one.positions) > 1 else math.inf
    for at, rising in zip(one.positions.tolist(), one.rising.tolist(), strict=True):
        same = other.positions[other.rising == rising]
        if len(same):
            near = float(same[np.argmin(np.abs(same - at))])
            if abs(near - at) < LARGEST * gap:
                pairs.append((at, near))
    return pairs


def _shift(one: _Side, other: _Side, at: float, near: float) -> tuple[float, float] | None:
    """Samples by which the second channel's edge comes later, and the standard uncertainty of that."""
    reach = min(REACH, int(min(at, near)) - 2, len(one.shape) - int(max(at, near)) - 3)
    if reach < 4:
        return None
    window = np.arange(round(near) - reach, round(near) + reach + 1).astype(np.float64)
    target = other.shape[window.astype(np.int64)]
    shift = near - at
    weight = _edge_weight(one.shape, window - shift)
    width = int(np.count_nonzero(weight))
    beside = max(reach - width, 2)
    levelled = _levelled(target, beside)
    for _ in range(ROUNDS):
        model, slope = _interpolated(one.shape, window - shift)
        steep = float(weight @ slope) / _swing(model, beside)
        step = -float(weight @ (levelled - _levelled(model, beside))) / steep
        shift += min(max(step, -1.0), 1.0)
        if abs(step) < 1e-5:
            break
    noise = math.hypot(one.noise / _swing(model, beside), other.noise / _swing(target, beside))
    # noise of the samples on the edge, and of the levels that were taken off and scaled by
    u = (
        noise
        * math.hypot(math.sqrt(float(weight @ weight)), float(weight.sum()) / math.sqrt(2 * beside))
        / steep
    )
    per_edge = 1 / max(float(np.abs(np.diff(target)).max()), 1e-9)
    return shift, math.hypot(u, 1 / math.sqrt(6) if per_edge < UNRESOLVED else GRAIN)


def _edge_weight(shape: Floats, at: Floats) -> Floats:
    """The slope of the smoothed edge, 0 away from it: where a shift shows most, noise included least."""
    shown, _ = _interpolated(shape, at)
    low, high = float(shown[: len(shown) // 4].mean()), float(shown[-(len(shown) // 4) :].mean())
    part = (shown - low) / (high - low) if high != low else shown
    inside = np.flatnonzero((part > 0.15) & (part < 0.85))
    middle = len(at) // 2
    inside = inside[np.abs(inside - middle) < len(at) // 4]
    half = max(2, int(np.ptp(inside)) if len(inside) else 2)
    half = min(half, len(at) // 4)
    smooth = np.convolve(part, np.ones(half) / half, "same")
    weight = np.gradient(smooth) * (high - low)
    weight[: middle - 2 * half] = 0.0
    weight[middle + 2 * half + 1 :] = 0.0
    return np.asarray(weight)


def _swing(shape: Floats, beside: int) -> float:
    return abs(float(shape[-beside:].mean() - shape[:beside].mean())) or 1.0


def _levelled(shape: Floats, beside: int) -> Floats:
    """From the level before the edge, 0, to the one after it: +1 or -1."""
    return np.asarray((shape - float(shape[:beside].mean())) / _swing(shape, beside))


def _interpolated(shape: Floats, at: Floats) -> tuple[Floats, Floats]:
    """The waveform and its slope between samples: cubic through the four samples around (Catmull-Rom)."""
    base = np.floor(at).astype(np.int64)
    u = at - base
    p0, p1, p2, p3 = (shape[np.clip(base + k, 0, len(shape) - 1)] for k in (-1, 0, 1, 2))
    c1, c2, c3 = 0.5 * (p2 - p0), p0 - 2.5 * p1 + 2 * p2 - 0.5 * p3, 1.5 * (p1 - p2) + 0.5 * (p3 - p0)
    return p1 + u * (c1 + u * (c2 + u * c3)), c1 + u * (2 * c2 + 3 * u * c3)
