"""A square wave: its two levels, amplitude, frequency, duty, corners and ringing, each with its uncertainty.

Levels are those that the half periods settle to: what a badly trimmed probe, a long ground lead or a
slow edge does to the corner dies away towards them. The frequency is the slope of a
straight line through all edges, rising and falling ones with an intercept each, so that the duty does not
matter (JCGM 100 H.3). A clipped top has no level: it is a bound, and said so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from service.pipeline.corner import Ringing, fit_ringing, overshoot, transition
from service.pipeline.hysteresis import Crossings, Thresholds, crossings_by_samples
from service.pipeline.idle import rounding_of_mean
from service.pipeline.levels import States, find_states
from service.pipeline.line_fit import fit_shared_slope
from service.pipeline.readings import Value
from service.pipeline.sampling import contiguous_codes
from service.pipeline.trace import Trace
from service.pipeline.uncertainty import K, combined, from_tolerance

PARTS = (0.22, 0.47, 0.72, 0.97)
"""Each half period is cut here: three equal parts, of which the last is settled best."""
LEAST_TAIL, MOST_LEFT = 12.0, 0.6
"""A slow tail is extrapolated from so many times the noise on, and as long as it clearly dies away ..."""
SHARPER = 2.5
"""... and makes the level so many times less certain: the errors of three parts in d r / (1 - r), r about
1/3.
"""
FEWEST_EDGES = 3
FEWEST_SAMPLES = 16
"""Of a half period."""
UNEVEN = 0.2
"""Edges are those of one square wave when periods scatter by less than this part."""


@dataclass(frozen=True, eq=False)
class SquareWave:
    """What was measured; volts as the scope believes them. None: the record does not tell."""

    low_v: Value
    high_v: Value
    amplitude_v: Value
    frequency_hz: Value
    duty: Value
    """Share of the period above the middle, 0..1."""
    rise_s: Value | None
    """10 to 90 %; None below three samples an edge."""
    fall_s: Value | None
    overshoot_percent: Value | None
    """Of the amplitude, beyond the level right after the corner; None where the corner is not resolved."""
    ringing: Ringing | None
    edges_s: NDArray[np.float64]
    """Instants of the 50 % crossings on the trace's time axis, shape (edges,)."""
    rising: NDArray[np.bool_]
    noise_v: float
    clipped: tuple[str, ...] = ()
    """"low", "high": that level leaves the range; the values are then bounds and no measurements."""


def measure_square(
    trace: Trace, *, vertical_tolerance: float = 0.0, timebase_tolerance: float = 0.0
) -> SquareWave | None:
    """The square wave of a trace, or None where it shows none: fewer than three edges, or uneven ones.

    Tolerances are ratios (0.03 for 3 %, 25e-6 for 25 ppm) and widen u, never u_record.
    """
    codes = contiguous_codes(trace.codes)
    states = find_states(codes)
    if states is None or not states.two:
        return None
    middle = 0.5 * (states.low + states.high)
    found = crossings_by_samples(codes, Thresholds.between(states.low, states.high), middle)
    if len(found.positions) < FEWEST_EDGES or not _is_even(found):
        return None
    levels = [_level(codes, states, found, high) for high in (False, True)]
    if levels[0] is None or levels[1] is None:
        return None
    if trace.volts_per_code < 0:
        levels.reverse()
        found = Crossings(found.positions, ~found.rising)
    low, high = (_volts(trace, level, vertical_tolerance) for level in levels if level is not None)
    amplitude = high.value - low.value
    u_record = combined(low.u_record, high.u_record)
    u = combined(u_record, from_tolerance(vertical_tolerance) * amplitude)
    return SquareWave(
        low_v=low,
        high_v=high,
        amplitude_v=Value(amplitude, u, u_record, "V"),
        frequency_hz=_frequency(trace, found, timebase_tolerance),
        duty=_duty(found),
        rise_s=transition(trace, found, low.value, high.value, rising=True, tolerance=timebase_tolerance),
        fall_s=transition(trace, found, low.value, high.value, rising=False, tolerance=timebase_tolerance),
        overshoot_percent=overshoot(trace, found, amplitude),
        ringing=fit_ringing(trace, found, amplitude),
        edges_s=trace.start_s + found.positions * trace.interval_s,
        rising=found.rising,
        noise_v=states.noise * abs(trace.volts_per_code),
        clipped=_clipped(trace, levels),
    )


def half_periods(found: Crossings, *, high: bool) -> list[tuple[float, float]]:
    """Begin and end, in samples, of each whole half period of one kind."""
    at, rising = found.positions, found.rising
    return [(float(at[n]), float(at[n + 1])) for n in range(len(at) - 1) if bool(rising[n]) == high]


def _is_even(found: Crossings) -> bool:
    for kind in (True, False):
        gaps = np.diff(found.positions[found.rising == kind])
        if len(gaps) > 1 and float(gaps.std()) > UNEVEN * float(gaps.mean()):
            return False
    return True


def _level(
    codes: NDArray[np.generic], states: States, found: Crossings, high: bool
) -> tuple[float, float] | None:
    """Level in codes that the half periods settle to, and its expanded uncertainty from the record alone."""
    rows, spreads, counts = [], [], 0
    for begin, end in half_periods(found, high=high):
        cuts = [int(begin + part * (end - begin)) for part in PARTS]
        if cuts[1] - cuts[0] >= FEWEST_SAMPLES // 3:
            parts = [codes[a:b].astype(np.float64) for a, b in pairwise(cuts)]
            rows.append([float(part.mean()) for part in parts])
            spreads.append(float(parts[-1].var()))
            counts += len(parts[-1])
    if not rows:
        return None
    means = np.array(rows)
    last = means[:, -1]
    scatter = float(np.std(last, ddof=1)) / math.sqrt(len(last)) if len(last) > 2 else 0.0
    variance = float(np.mean(spreads))
    rounding = rounding_of_mean(math.sqrt(variance), states.step)
    noise = math.hypot(max(scatter, math.sqrt(variance / counts)), rounding)
    rest = _unsettled(means.mean(axis=0), noise)
    return float(last.mean()) + rest, K * noise * (SHARPER if rest else 1.0)


def _unsettled(parts: NDArray[np.float64], noise: float) -> float:
    """What is missing to the final level after the last part, by the geometric series of three equal parts.

    A slow exponential loses the same share r from part to part, so that d r / (1 - r) is left after a last
    difference d. Zero where the differences are no more than noise.
    """
    d1, d2 = float(parts[1] - parts[0]), float(parts[2] - parts[1])
    if abs(d1) < LEAST_TAIL * noise or not 0 < d2 / d1 < MOST_LEFT:
        return 0.0
    return d2 * (d2 / d1) / (1 - d2 / d1)


def _volts(trace: Trace, level: tuple[float, float], tolerance: float) -> Value:
    code, u_code = level
    volts = code * trace.volts_per_code + trace.volts_at_code_zero
    u_record = u_code * abs(trace.volts_per_code)
    return Value(volts, combined(u_record, from_tolerance(tolerance) * abs(volts)), u_record, "V")


def _clipped(trace: Trace, levels: Sequence[tuple[float, float] | None]) -> tuple[str, ...]:
    ends = [trace.code_min, trace.code_max]
    if trace.volts_per_code < 0:
        ends.reverse()
    return tuple(
        name
        for name, level, end in zip(("low", "high"), levels, ends, strict=True)
        if level is not None and end is not None and abs(level[0] - end) < 0.5
    )


def _frequency(trace: Trace, found: Crossings, tolerance: float) -> Value:
    """One slope through rising and falling edges.

    Samples that lie further apart than an edge lasts see each crossing only to within a sample, and always at
    the same place when the period is a whole number of samples: a fit cannot show that by its scatter. So the
    slope is never taken to be better than two such crossings at the ends of the record allow.
    """
    at, order = found.positions, np.argsort(~found.rising, kind="stable")
    number = np.arange(len(at), dtype=np.float64) / 2
    firsts = np.array([0, int(found.rising.sum())]) if found.rising.any() else np.array([0])
    fit = fit_shared_slope(number[order], at[order], firsts[firsts < len(at)])
    period = fit.slope if fit.slope > 0 else float(at[-1] - at[0]) / ((len(at) - 1) / 2)
    rest = float(np.sqrt(fit.residuals @ fit.residuals / max(fit.degrees_of_freedom, 1)))
    span = float(at[-1] - at[0]) / period
    u_fit = K * rest / math.sqrt(fit.sxx) if fit.sxx > 0 else math.inf
    grain = K * math.sqrt(2) / math.sqrt(12) / span
    relative = combined(min(u_fit, grain), grain) / period
    hertz = 1 / (period * trace.interval_s)
    return Value(hertz, hertz * combined(relative, from_tolerance(tolerance)), hertz * relative, "Hz")


def _duty(found: Crossings) -> Value:
    """Mean of the shares of whole periods."""
    at, rising = found.positions, found.rising
    starts = [n for n in range(len(at) - 2) if rising[n]]
    if starts:
        shares = [float((at[n + 1] - at[n]) / (at[n + 2] - at[n])) for n in starts]
        period = float(at[starts[0] + 2] - at[starts[0]])
    else:  # a falling edge first, and only three edges
        shares = [float((at[2] - at[1]) / (at[2] - at[0]))]
        period = float(at[2] - at[0])
    scatter = float(np.std(shares, ddof=1)) / math.sqrt(len(shares)) if len(shares) > 2 else 0.0
    u = K * math.hypot(scatter, 1 / math.sqrt(6) / period)
    return Value(float(np.mean(shares)), u, u, "")
