"""Line readings made by hand, in closed form: what the signal side would say about a faultless or faulty
line.

Written from the frame rule (start bit, data bits least significant first, parity, stop) and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.pipeline.evidence import ReadShot
from service.pipeline.readings import Characters, Edges, FrameFormat, FrameOdds, Levels, LineReading, Value
from service.pipeline.trace import Trace

BAUD = 230_400
T = 1 / BAUD
F8N1 = FrameFormat(8, "N", 1)


@dataclass(frozen=True)
class Said:
    """One character on a line: value, start in seconds, error bits."""

    value: int
    start_s: float
    errors: int = 0


@dataclass(frozen=True)
class Looks:
    """How a line looks electrically."""

    low_v: float = 0.0
    high_v: float = 3.3
    noise_v: float = 0.005
    channel: str = "ch1"
    bit_s: float = T
    u_bit_s: float = 1e-11
    per_bit: float = 25.0
    lead_s: float = 1e-4
    tail_s: float = 3e-3
    idle_high: bool = True
    rise_s: float = 0.0
    glitches: int = 0
    clipped_low: bool = False
    clipped_high: bool = False
    overshoot_percent: float | None = None


LOOKS = Looks()


def train(values: bytes | Sequence[int], first_s: float = 0.0, step_s: float = 10 * T) -> list[Said]:
    """Characters at even distances."""
    return [Said(v, first_s + i * step_s) for i, v in enumerate(values)]


def bits_of(value: int, frame: FrameFormat) -> list[int]:
    """Start, data (least significant first), parity, one stop bit."""
    data = [value >> k & 1 for k in range(frame.data_bits)]
    ones = sum(data)
    parity = {"N": [], "E": [ones % 2], "O": [1 - ones % 2], "M": [1], "S": [0]}[frame.parity]
    return [0, *data, *parity, 1]


def edges_of(said: Sequence[Said], looks: Looks, frame: FrameFormat) -> tuple[Edges, list[int], list[int]]:
    """All edges, and for each character the index of its first and last edge."""
    times: list[float] = []
    rising: list[bool] = []
    firsts, lasts = [], []
    for s in said:
        level = 1
        firsts.append(len(times))
        for k, bit in enumerate(bits_of(s.value, frame)):
            if bit != level:
                times.append(s.start_s + k * looks.bit_s)
                rising.append(bool(bit) == looks.idle_high)
                level = bit
        lasts.append(len(times) - 1)
    return Edges(np.array(times), np.array(rising, dtype=bool), looks.glitches), firsts, lasts


def trace_of(edges: Edges, looks: Looks, start_s: float, end_s: float, seed: int = 1) -> Trace:
    """Samples of the line: linear edges of the given 10-90 % duration round each crossing, 8-bit codes."""
    interval = looks.bit_s / looks.per_bit
    t = start_s + np.arange(max(int((end_s - start_s) / interval), 2)) * interval
    states = np.append(float(looks.idle_high), edges.rising.astype(float))
    wave = states[np.searchsorted(edges.times_s, t)]
    ramp = looks.rise_s / 0.8
    for at, up in zip(edges.times_s, edges.rising, strict=True):
        first, last = (np.searchsorted(t, at + side * ramp / 2) for side in (-1, 1))
        part = (t[first:last] - at) / ramp + 0.5 if ramp else np.empty(0)
        wave[first : first + len(part)] = part if up else 1 - part
    span = max(looks.high_v - looks.low_v, 0.1) * 1.5
    per_code = span / 250
    centre = 0.5 * (looks.low_v + looks.high_v)
    volts = looks.low_v + wave * (looks.high_v - looks.low_v)
    volts = volts + np.random.default_rng(seed).normal(0, looks.noise_v, len(t))
    codes = np.clip(np.rint((volts - centre) / per_code), -128, 127).astype(np.int8)
    return Trace(codes, per_code, centre, interval, start_s, -128, 127, looks.channel)


def line(
    said: Sequence[Said],
    looks: Looks = LOOKS,
    *,
    frame: FrameFormat = F8N1,
    span: tuple[float, float] | None = None,
) -> LineReading:
    """The reading of a line on which that was said; `span` is the record's start and end in seconds."""
    if not said:
        return flat(looks.high_v if looks.idle_high else looks.low_v, looks, span=span)
    edges, firsts, lasts = edges_of(said, looks, frame)
    start, end = span or (said[0].start_s - looks.lead_s, said[-1].start_s + 10 * looks.bit_s + looks.tail_s)
    trace = trace_of(edges, looks, start, end)
    starts = np.array([s.start_s for s in said])
    per_code = trace.volts_per_code
    levels = Levels(
        (looks.low_v - trace.volts_at_code_zero) / per_code,
        (looks.high_v - trace.volts_at_code_zero) / per_code,
        looks.low_v, looks.high_v, looks.noise_v, 0.002, 0.002,
        looks.overshoot_percent, looks.clipped_low, looks.clipped_high,
    )  # fmt: skip
    characters = Characters(
        np.array([s.value for s in said], dtype=np.int32),
        starts,
        starts + frame.total_bits * looks.bit_s,
        np.array([s.errors for s in said], dtype=np.uint8),
        np.array(firsts, dtype=np.int64),
        np.array(lasts, dtype=np.int64),
    )
    bit = Value(looks.bit_s, looks.u_bit_s, looks.u_bit_s, "s")
    return LineReading(
        trace, levels, looks.idle_high, edges, bit, frame, (FrameOdds(frame, 1.0),), characters,
        noise_v=looks.noise_v, samples_per_bit=looks.per_bit,
    )  # fmt: skip


def flat(level_v: float, looks: Looks = LOOKS, *, span: tuple[float, float] | None = None) -> LineReading:
    """A line without any activity at that level."""
    none = Edges(np.empty(0), np.empty(0, dtype=bool))
    start, end = span or (-looks.lead_s, 2e-3)
    still = replace(looks, low_v=level_v - 1, high_v=level_v + 1)
    n = int((end - start) * looks.per_bit / looks.bit_s)
    trace = trace_of(none, still, start, start + n * looks.bit_s / looks.per_bit)
    noise = np.random.default_rng(2).normal(0, looks.noise_v / trace.volts_per_code, len(trace))
    trace = replace(trace, codes=np.rint(noise).astype(np.int8), volts_at_code_zero=level_v)
    empty = Characters(
        *(np.empty(0, dtype=d) for d in (np.int32, float, float, np.uint8, np.int64, np.int64))
    )
    return LineReading(trace, None, None, none, None, None, (), empty, flat_v=level_v, noise_v=looks.noise_v)


def shot(
    sent: Sequence[Said],
    echoed: Sequence[Said],
    *,
    to: Looks = LOOKS,
    back: Looks | None = None,
    end_s: float | None = None,
    **more: object,
) -> ReadShot:
    """Both lines of one record that ends 3 ms after the last character unless told otherwise."""
    back = back or replace(to, channel="ch2")
    every = [*sent, *echoed]
    start = min((s.start_s for s in every), default=0.0) - to.lead_s
    end = end_s or max((s.start_s for s in every), default=0.0) + 10 * to.bit_s + to.tail_s
    return ReadShot(
        line(sent, to, span=(start, end)),
        line(echoed, back, span=(start, end)),
        **more,  # type: ignore[arg-type]
    )


def echo_of(sent: Sequence[Said], delay_s: float = 6.6e-6, bit_s: float = T, bits: float = 10) -> list[Said]:
    """A faultless answer: each character again, `delay_s` after the end of its stop bit."""
    return [Said(s.value, s.start_s + bits * bit_s + delay_s) for s in sent]
