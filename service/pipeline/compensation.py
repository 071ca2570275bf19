"""Compensation of a passive probe from a square wave: signed percent of the step, and the time constant.

Pole-zero model (R1 C1 against R2 C2; shown = right + e x high-passed(right)): each step shows (1 + e) of
itself at once and settles to 1 with tau = (R1 parallel R2)(C1 + C2). With the edges known, everything but
tau is linear, so that it comes from least squares at each tau; the tau with the smallest rest counts. What
happened before the record only dies away with the same tau: one column more.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.levels import neighbour_noise
from service.pipeline.readings import LineReading, Value
from service.pipeline.sampling import code_step, spread_runs

Floats = NDArray[np.float64]

SHORTEST_TAU_S, LONGEST_TAU_S = 40e-6, 240e-6
"""9 Mohm parallel 1 Mohm is 0.9 Mohm; input, cable and trimmer of 45 to 270 pF (common practice, no
source)."""
COARSE, FINE = 12, 24
GOLDEN = (math.sqrt(5) - 1) / 2
AWAY_S = 0.4e-6
"""Around an edge nothing is looked at: the edge itself, overshoot, ringing."""
MODEL_PERCENT = 0.3
"""Of the step: how far ideal edges, one time constant and codes of 8 bits carry (expanded)."""
QUIET_STEPS, HIDDEN_STEPS = 0.3, 1.0
"""Below so much noise a tail of less than a step may be hidden, or shown as a whole one."""
FEWEST = 200
MOST = 4000
"""Samples; more are thinned out."""
LEAST_EDGES = 3


@dataclass(frozen=True)
class Compensation:
    """Of one probe on one channel."""

    percent: Value
    """Positive: over-compensated."""
    tau_s: float
    """Means little where the error is within its uncertainty."""


@dataclass(frozen=True)
class _Fit:
    rest: float
    percent: float
    u_percent: float
    tau_s: float


def measure_compensation(reading: LineReading) -> Compensation | None:
    """From a line that carries a square wave; None where it shows too little of it.

    The wave's half periods must be some time constants long: 1 kHz has 500 us, about 4.5 of them.
    """
    edges = reading.edges
    if reading.levels is None or len(edges) < LEAST_EDGES:
        return None
    at, volts = _samples(reading)
    if len(at) < FEWEST:
        return None
    steps = np.where(edges.rising, 1.0, -1.0)
    best = _best(lambda tau: _fit(at, volts, edges.times_s, steps, tau))
    if best is None:
        return None
    u = math.hypot(best.u_percent, MODEL_PERCENT, _rounding_percent(reading))
    return Compensation(Value(best.percent, u, best.u_percent, "%"), best.tau_s)


def _rounding_percent(reading: LineReading) -> float:
    """What a converter hides that has hardly any noise (expanded, of the step): no noise carries it on."""
    levels = reading.levels
    assert levels is not None
    swing = abs(levels.high_code - levels.low_code)
    runs = spread_runs(reading.trace.codes)
    step = code_step(runs)
    return 100 * HIDDEN_STEPS * step / swing if neighbour_noise(runs, step) < QUIET_STEPS * step else 0.0


def _samples(reading: LineReading) -> tuple[Floats, Floats]:
    """Times and volts away from the edges, thinned."""
    trace, edges = reading.trace, reading.edges
    at: Floats = trace.start_s + np.arange(len(trace), dtype=np.float64) * trace.interval_s
    near = np.searchsorted(edges.times_s, at)
    before = np.abs(at - edges.times_s[np.clip(near - 1, 0, len(edges) - 1)])
    after = np.abs(edges.times_s[np.clip(near, 0, len(edges) - 1)] - at)
    away = np.minimum(before, after) > AWAY_S + trace.interval_s
    chosen = np.flatnonzero(away)[:: max(int(away.sum()) // MOST, 1)]
    return np.take(at, chosen), trace.volts(trace.codes[chosen])


def _best(fit: Callable[[float], _Fit | None]) -> _Fit | None:
    """A coarse look over all taus, then a golden section about the best of them."""
    grid = np.geomspace(SHORTEST_TAU_S, LONGEST_TAU_S, COARSE)
    fits = [one for tau in grid if (one := fit(float(tau))) is not None]
    if not fits:
        return None
    middle = min(fits, key=lambda one: one.rest)
    ratio = float(grid[1] / grid[0])
    low, high = math.log(middle.tau_s / ratio), math.log(middle.tau_s * ratio)
    for _ in range(FINE):
        left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        one, other = fit(math.exp(left)), fit(math.exp(right))
        if one is None or other is None:
            break
        middle = min(middle, one, other, key=lambda f: f.rest)
        low, high = (low, right) if one.rest < other.rest else (left, high)
    return middle


def _fit(at: Floats, volts: Floats, times: Floats, steps: Floats, tau_s: float) -> _Fit | None:
    """Least squares in offset, step, slow part and what is left of the time before the record."""
    high = _square(at, times, steps)
    slow = _high_passed(at, times, steps, tau_s)
    before = np.exp(-(at - at[0]) / tau_s)
    design = np.column_stack([np.ones_like(at), high, slow, before])
    inverse = np.linalg.pinv(design.T @ design)
    found = inverse @ (design.T @ volts)
    step = float(found[1])
    if step == 0:
        return None
    rest = float(((volts - design @ found) ** 2).sum())
    scatter = rest / max(len(at) - 4, 1)
    u = 2 * math.sqrt(scatter * max(float(inverse[2, 2]), 0.0)) / abs(step)
    return _Fit(rest, 100 * float(found[2]) / step, 100 * u, tau_s)


def _square(at: Floats, times: Floats, steps: Floats) -> Floats:
    """0 and 1."""
    edge = np.searchsorted(times, at)
    first = 0.0 if steps[0] > 0 else 1.0
    return first + np.concatenate(([0.0], np.cumsum(steps)))[edge]


def _high_passed(at: Floats, times: Floats, steps: Floats, tau_s: float) -> Floats:
    """The square behind a high pass that was at rest before the first edge."""
    after = np.empty(len(times))
    state = 0.0
    for n, step in enumerate(steps.tolist()):
        state = (state * math.exp(-float(times[n] - times[n - 1]) / tau_s) if n else 0.0) + step
        after[n] = state
    edge = np.searchsorted(times, at) - 1
    safe = np.clip(edge, 0, len(times) - 1)
    decayed = after[safe] * np.exp(-np.maximum(at - times[safe], 0.0) / tau_s)
    return np.where(edge >= 0, decayed, 0.0)
