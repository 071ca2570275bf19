"""The corner of a square wave: transition time, overshoot, and the ringing of a ground lead.

Everything is taken from the edges themselves, relative to the level that the waveform has right after the
corner: a badly trimmed probe moves that level away from the one that it settles to, and is no overshoot.

Ringing is a damped oscillation, A exp(-t / T) sin(2 pi f t + phase), fitted by variable projection: at each
f and T amplitude and phase are linear, so that only two numbers are sought.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import median
from service.pipeline.hysteresis import Crossings
from service.pipeline.readings import Value
from service.pipeline.trace import Trace
from service.pipeline.uncertainty import K, combined, from_tolerance

FEWEST_PER_EDGE = 3.0
MOST_EDGES = 64
BEFORE, AFTER = 24, 240
"""Samples around an edge that are looked at, at most; never more than 0.4 of a half period."""
LEAST_AFTER = 24
BASE_PART = 0.5
"""The second half of the window after the edge is its base line: by then a lead has stopped ringing."""
SAMPLES_PER_RING = 4.0
LEAST_RINGING = 6.0
"""Times the noise of the averaged corner, from which an oscillation is believed ..."""
LEAST_PERCENT = 0.3
"""... and its least size in percent of the step: less is no matter of a ground lead."""
ROUNDS = 30
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ringing:
    """A damped oscillation after each edge; uncertainties k = 2."""

    frequency_hz: Value
    decay_s: Value
    """Time constant of the envelope."""
    percent: Value
    """Of the step: the envelope carried back to the edge."""


@dataclass(frozen=True)
class _Corner:
    """The mean of all edges of a trace, rising ones turned up: 0 before, about 1 after."""

    since_s: Floats
    shape: Floats
    noise: float
    """rms of `shape` by chance alone, from the scatter of the edges and of the base."""
    interval_s: float
    edges: int


def transition(
    trace: Trace, found: Crossings, low_v: float, high_v: float, *, rising: bool, tolerance: float = 0.0
) -> Value | None:
    """Median 10 to 90 % time of the edges of one kind; None below three samples an edge (IEEE 181).

    The ends are the levels beside each edge, not those that the wave settles to.
    """
    spans = [
        span
        for n in np.flatnonzero(found.rising == rising)[:MOST_EDGES].tolist()
        if (span := _span(trace, found, n, high_v - low_v)) is not None
    ]
    if not spans or median(spans) < FEWEST_PER_EDGE:
        return None
    # median: 1.2533 s / sqrt(n); straight lines between samples: rectangular over a third of one
    scatter = 1.2533 * float(np.std(spans)) / math.sqrt(len(spans))
    u_record = K * math.hypot(scatter, 1 / 3 / math.sqrt(3)) * trace.interval_s
    seconds = median(spans) * trace.interval_s
    return Value(seconds, combined(u_record, from_tolerance(tolerance) * seconds), u_record, "s")


def overshoot(trace: Trace, found: Crossings, amplitude_v: float) -> Value | None:
    """The greatest excursion beyond the base of the corner, percent of the amplitude; None: not resolved."""
    corner = _corner(trace, found, amplitude_v)
    if corner is None or corner.interval_s * SAMPLES_PER_RING > corner.since_s[-1] * BASE_PART:
        return None
    after = corner.shape[corner.since_s > 0]
    base = float(np.mean(after[int(BASE_PART * len(after)) :]))
    by_noise = corner.noise * math.sqrt(2 * math.log(max(len(after), 2)))
    beyond = float(after.max()) - base
    size = 100 * math.sqrt(max(beyond * abs(beyond) - by_noise**2, 0.0))
    u = K * 100 * math.hypot(corner.noise, by_noise / 2)
    return Value(size, u, u, "%")


def fit_ringing(trace: Trace, found: Crossings, amplitude_v: float) -> Ringing | None:
    """The oscillation after the edges; None where there is none, or it is too fast for the samples."""
    corner = _corner(trace, found, amplitude_v)
    if corner is None:
        return None
    late = corner.since_s > 0
    after, since = corner.shape[late], corner.since_s[late]
    base = float(np.mean(after[int(BASE_PART * len(after)) :]))
    begin = _first_passed(after, base)
    if len(after) - begin < LEAST_AFTER:
        return None
    rest, at = after[begin:] - base, since[begin:]
    best = _search(at, rest, corner.interval_s)
    if best is None:
        return None
    hertz, decay, size, scatter = best
    if size < max(LEAST_RINGING * corner.noise, LEAST_PERCENT / 100) or hertz * decay < 0.25:
        return None
    return _with_u(at, rest, hertz, decay, scatter)


def _first_passed(after: Floats, base: float) -> int:
    """The first sample after the edge at which the waveform has reached its base."""
    passed = np.flatnonzero(after >= base)
    return int(passed[0]) if len(passed) else len(after)


def _corner(trace: Trace, found: Crossings, amplitude_v: float) -> _Corner | None:
    at = found.positions
    room = int(0.4 * float(np.diff(at).min())) if len(at) > 1 else len(trace)
    before, after = min(BEFORE, room), min(AFTER, room)
    if after < LEAST_AFTER or not amplitude_v > 0:
        return None
    inside = np.flatnonzero((at > before + 1) & (at < len(trace) - after - 1))[:MOST_EDGES]
    if not len(inside):
        return None
    grid = np.arange(-before, after, dtype=np.float64)
    rows = [_row(trace, float(at[n]), bool(found.rising[n]), grid) / amplitude_v for n in inside.tolist()]
    shape = np.mean(rows, axis=0)
    tail = np.asarray(rows)[:, -after // 2 :] - shape[-after // 2 :]
    own = shape[-after // 4 :]
    chance = float(np.std(tail)) / math.sqrt(len(rows)) if len(rows) > 1 else float(np.std(own))
    step = abs(trace.volts_per_code) / amplitude_v / math.sqrt(12 * len(rows))
    return _Corner(grid * trace.interval_s, shape, max(chance, step / 2), trace.interval_s, len(rows))


def _row(trace: Trace, at: float, rising: bool, grid: Floats) -> Floats:
    """The volts around one edge at whole samples from its crossing, the level before it taken off."""
    first = math.floor(at + float(grid[0]))
    part = trace.volts(trace.codes[first : first + len(grid) + 2])
    shown = np.interp(at + grid, np.arange(first, first + len(part)), part)
    shown = shown if rising else -shown
    quiet = shown[: max(-int(grid[0]) - 4, 1)] if grid[0] < -5 else shown[:1]
    return np.asarray(shown - float(np.mean(quiet)), dtype=np.float64)


def _span(trace: Trace, found: Crossings, n: int, swing_v: float) -> float | None:
    """Samples from the 10 to the 90 % crossing of edge n."""
    at = float(found.positions[n])
    neighbours = np.delete(found.positions, n)
    room = int(0.4 * float(np.abs(neighbours - at).min())) if len(neighbours) else len(trace)
    reach = min(room, AFTER)
    first, last = math.floor(at) - reach, math.ceil(at) + reach
    if first < 0 or last >= len(trace) or reach < 2:
        return None
    volts = trace.volts(trace.codes[first : last + 1])
    volts = volts if found.rising[n] else -volts
    before = float(np.mean(volts[: max(reach // 2, 1)]))
    after = float(np.mean(volts[-max(reach // 2, 1) :]))
    if after - before < 0.5 * swing_v:
        return None
    middle = at - first
    ends = [before + part * (after - before) for part in (0.1, 0.9)]
    return _outwards(volts, middle, ends[1], +1) - _outwards(volts, middle, ends[0], -1)


def _outwards(volts: Floats, middle: float, level: float, step: int) -> float:
    """Where the rising waveform passes the level, sought from its middle."""
    if step > 0:
        k = math.ceil(middle) + int(np.argmax(volts[math.ceil(middle) :] >= level))
        low, high = k - 1, k
    else:
        back = volts[: math.floor(middle) + 1][::-1]
        k = math.floor(middle) - int(np.argmax(back <= level))
        low, high = k, k + 1
    rise = float(volts[high] - volts[low])
    return low + (min(max((level - float(volts[low])) / rise, 0.0), 1.0) if rise else 0.5)


def _project(at: Floats, rest: Floats, hertz: float, decay_s: float) -> tuple[float, float]:
    """Least-squares rest and size of the oscillation for one frequency and decay."""
    envelope = np.exp(-at / decay_s)
    design = np.column_stack(
        [envelope * np.sin(2 * math.pi * hertz * at), envelope * np.cos(2 * math.pi * hertz * at)]
    )
    found, *_ = np.linalg.lstsq(design, rest, rcond=None)
    left = rest - design @ found
    return float(left @ left), float(np.hypot(*found))


def _search(at: Floats, rest: Floats, interval_s: float) -> tuple[float, float, float, float] | None:
    """Frequency, decay, size and residual rms; None when the frequency lies beyond what the samples show."""
    window = rest * np.exp(-(at - at[0]) / (at[-1] - at[0]) * 2)
    spectrum = np.abs(np.fft.rfft(window, 8 * len(window)))
    peak = int(np.argmax(spectrum[8:])) + 8
    hertz = peak / (8 * len(window) * interval_s)
    if hertz * SAMPLES_PER_RING * interval_s > 1:
        return None
    guesses = [(hertz, d) for d in np.geomspace(0.3 / hertz, (at[-1] - at[0]), 6)]
    f, d = min(guesses, key=lambda g: _project(at, rest, *g)[0])
    step_f, step_d = 0.1, 0.3
    best = _project(at, rest, f, d)[0]
    for _ in range(ROUNDS):
        tries = [(f * (1 + a * step_f), d * (1 + b * step_d)) for a in (-1, 0, 1) for b in (-1, 0, 1)]
        trial = min(tries, key=lambda g: _project(at, rest, *g)[0])
        moved = _project(at, rest, *trial)[0]
        if moved < best:
            (f, d), best = trial, moved
        else:
            step_f, step_d = step_f / 2, step_d / 2
    freedom = max(len(rest) - 4, 1)
    return f, d, _project(at, rest, f, d)[1], math.sqrt(best / freedom)


def _with_u(at: Floats, rest: Floats, hertz: float, decay_s: float, scatter: float) -> Ringing:
    """The full linearised fit: covariance of amplitude, phase, frequency and decay (JCGM 100 H.3's way)."""
    envelope = np.exp(-at / decay_s)
    sine, cosine = np.sin(2 * math.pi * hertz * at), np.cos(2 * math.pi * hertz * at)
    (a, b), *_ = np.linalg.lstsq(np.column_stack([envelope * sine, envelope * cosine]), rest, rcond=None)
    by_f = envelope * 2 * math.pi * at * (a * cosine - b * sine)
    by_d = envelope * (a * sine + b * cosine) * at / decay_s**2
    design = np.column_stack([envelope * sine, envelope * cosine, by_f, by_d])
    scale = np.sqrt((design**2).sum(axis=0))
    inverse = np.linalg.pinv((design / scale).T @ (design / scale))
    u_a, u_b, u_f, u_d = K * scatter * np.sqrt(np.maximum(np.diag(inverse), 0.0)) / scale
    size = math.hypot(a, b)
    u_size = 100 * math.hypot(a * u_a, b * u_b) / size
    return Ringing(
        Value(hertz, float(u_f), float(u_f), "Hz"),
        Value(decay_s, float(u_d), float(u_d), "s"),
        Value(100 * size, u_size, u_size, "%"),
    )
