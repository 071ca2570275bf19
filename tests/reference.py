"""Closed-form traces, and a decoder that shares nothing with ours: what the pipeline is held against.

Waveforms are sums of single transitions whose shape is a formula, so every edge time, level and rise time is
known exactly.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Trace

Shape = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Time since the 50 % instant, seconds -> share of the swing, 0 before and 1 after."""


def ramp(rise_s: float) -> Shape:
    """Straight line with 10-90 % time rise_s; a step for 0."""
    full = max(rise_s / 0.8, 1e-15)
    return lambda t: np.clip(t / full + 0.5, 0.0, 1.0)


def one_pole(rise_s: float) -> Shape:
    """1 - exp(-t/tau), t10-90 = ln 9 tau (textbook)."""
    tau = rise_s / math.log(9)
    delay = tau * math.log(2)
    return lambda t: np.where(t > -delay, 1 - np.exp(-np.maximum(t + delay, 0) / tau), 0.0)


def gaussian(rise_s: float) -> Shape:
    """Integral of a bell curve, t10-90 = 2.563 sigma; a chain of many equal stages comes near it."""
    sigma = rise_s / 2.5631031310892007
    grid = np.linspace(-6, 6, 4801)
    table = np.array([0.5 * math.erfc(-x / math.sqrt(2)) for x in grid])
    return lambda t: np.interp(t / sigma, grid, table)


def two_pole(period_s: float, damping: float) -> Shape:
    """Step of a second-order system with natural period period_s: overshoot exp(-pi z/sqrt(1-z^2))
    (textbook).
    """
    w = 2 * math.pi / period_s
    wd = w * math.sqrt(1 - damping**2)

    def step(t: NDArray[np.float64]) -> NDArray[np.float64]:
        late = np.maximum(t, 0)
        swing = np.cos(wd * late) + damping / math.sqrt(1 - damping**2) * np.sin(wd * late)
        return np.where(t > 0, 1 - np.exp(-damping * w * late) * swing, 0.0)

    grid = np.linspace(0, period_s / 2, 20001)
    half = float(np.interp(0.5, step(grid)[: int(np.argmax(step(grid)))], grid[: int(np.argmax(step(grid)))]))
    return lambda t: step(t + half)


@dataclass(frozen=True)
class Wire:
    """How a line looks and how a scope with 8 bits samples it."""

    low_v: float = 0.0
    high_v: float = 3.3
    idle_high: bool = True
    shape: Shape = field(default_factory=lambda: ramp(20e-9))
    reach_s: float = 2e-6
    """Time after which a transition is over."""
    noise_v: float = 0.0
    interval_s: float = 20e-9
    range_v: float = 10.0
    """Full window of the converter."""
    bits: int = 8
    dtype: Any = np.int8


def elements(value: int, frame: FrameFormat) -> list[int]:
    """Start, data bits (least significant first), parity: 1 = mark (ISO 1177, ITU-T V.4)."""
    data = [(value >> n) & 1 for n in range(frame.data_bits)]
    ones = sum(data)
    parity = {"N": [], "E": [ones % 2], "O": [1 - ones % 2], "M": [1], "S": [0]}[frame.parity]
    return [0, *data, *parity]


def boundaries(
    values: Sequence[int],
    bit_time_s: float,
    frame: FrameFormat = FrameFormat(8, "N", 1),  # noqa: B008  (a frozen record)
    start_s: float = 0.0,
    gaps_s: Sequence[float] | float = 0.0,
) -> tuple[list[float], list[float]]:
    """Instants at which a sender of these characters inverts the line (first one leaves idle), and start
    instants.
    """
    flips: list[float] = []
    starts: list[float] = []
    now = start_s
    for index, value in enumerate(values):
        level = 1
        starts.append(now)
        for place, element in enumerate([*elements(value, frame), 1]):
            if element != level:
                flips.append(now + place * bit_time_s)
                level = element
        gap = gaps_s if isinstance(gaps_s, (int, float)) else gaps_s[index % len(gaps_s)]
        now += frame.total_bits * bit_time_s + gap
    return flips, starts


def volts(flips: Sequence[float], times: NDArray[np.float64], wire: Wire) -> NDArray[np.float64]:
    """The line's voltage: each flip adds one transition of the wire's shape."""
    level = np.full(len(times), 1.0 if wire.idle_high else 0.0)
    sign = -1.0 if wire.idle_high else 1.0
    for flip in flips:
        first, last = np.searchsorted(times, [flip - wire.reach_s, flip + wire.reach_s])
        level[first:last] += sign * wire.shape(times[first:last] - flip)
        level[last:] += sign
        sign = -sign
    return wire.low_v + level * (wire.high_v - wire.low_v)


def sampled(
    values_v: NDArray[np.float64], wire: Wire, start_s: float, rng: np.random.Generator | None = None
) -> Trace:
    """What the scope makes of a voltage: noise, quantising, clipping at the ends of its window."""
    noisy = (
        values_v
        if wire.noise_v == 0 or rng is None
        else values_v + rng.normal(0, wire.noise_v, len(values_v))
    )
    half = 2 ** (wire.bits - 1)
    step, middle = wire.range_v / (2 * half), 0.5 * (wire.low_v + wire.high_v)
    codes = np.clip(np.rint((noisy - middle) / step), -half, half - 1)
    kind = np.dtype(wire.dtype)
    if kind.kind == "f":
        return Trace((codes * step + middle).astype(kind), 1.0, 0.0, wire.interval_s, start_s, channel="ch1")
    shift = half if kind.kind == "u" else 0
    zero = middle - shift * step
    return Trace(
        (codes + shift).astype(kind),
        step,
        zero,
        wire.interval_s,
        start_s,
        shift - half,
        shift + half - 1,
        "ch1",
    )


def trace_of(
    values: Sequence[int],
    baud: float = 230400.0,
    frame: FrameFormat = FrameFormat(8, "N", 1),  # noqa: B008  (a frozen record)
    wire: Wire = Wire(),
    *,
    gaps_bits: Sequence[float] | float = 0.0,
    lead_bits: float = 12.0,
    tail_bits: float = 12.0,
    phase: float = 0.0,
    rng: np.random.Generator | None = None,
) -> Trace:
    """A record of a sender of these characters; the first start edge lies at 0 s plus `phase` samples."""
    bit = 1 / baud
    gaps = gaps_bits * bit if isinstance(gaps_bits, (int, float)) else [gap * bit for gap in gaps_bits]
    flips, starts = boundaries(values, bit, frame, phase * wire.interval_s, gaps)
    end = (starts[-1] if starts else 0.0) + (frame.total_bits + tail_bits) * bit
    start = -round(lead_bits * bit / wire.interval_s) * wire.interval_s
    times: NDArray[Any] = start + np.arange(max(int((end - start) / wire.interval_s), 1)) * wire.interval_s
    return sampled(volts(flips, times, wire), wire, start, rng)


def naive_decode(
    trace: Trace, baud: float, frame: FrameFormat, threshold_v: float, idle_high: bool = True
) -> list[int]:
    """An independent receiver: walks the samples one by one, looks at the middle of each element, nothing
    else.
    """
    bit = 1 / baud / trace.interval_s
    mark = [(float(v) >= threshold_v) == idle_high for v in trace.volts()]
    found, place = [], 1
    while place < len(mark):
        if not mark[place - 1] or mark[place]:
            place += 1
            continue
        middles = [place + round((n + 0.5) * bit) for n in range(frame.bits_to_last_data + 1)]
        if middles[-1] >= len(mark):
            break
        found.append(sum(mark[m] << n for n, m in enumerate(middles[1 : 1 + frame.data_bits])))
        place = middles[-1]
    return found
