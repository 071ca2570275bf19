"""Time from a sent character to its echo, and how well single edges and computed ends are known."""

from __future__ import annotations

import math

import numpy as np

from service.pipeline.arrays import median
from service.pipeline.echoes import CHANGED, MOVED, OK, Echo
from service.pipeline.evidence import FROM_TARGET, TO_TARGET, Evidence
from service.pipeline.readings import LineReading, Value
from service.pipeline.uncertainty import K, combined, with_scale

_ANSWERED = (OK, CHANGED, MOVED)


def edge_u(reading: LineReading) -> float:
    """Expanded uncertainty of one edge's 50 % instant, seconds, from the record alone.

    Noise and quantising over the slope of the edges, and the grain of the sampling: an edge that takes two
    samples or more is interpolated almost without error, one that lies between two samples is anywhere
    between them (rectangular, JCGM 100 4.3.7).
    """
    interval = reading.trace.interval_s
    levels = reading.levels
    if levels is None or not levels.amplitude_v > 0:
        return K * interval / math.sqrt(12)
    part = max(_part_per_sample(reading), 1e-3)
    jitter = (
        combined(levels.noise_v, abs(reading.trace.volts_per_code) / math.sqrt(12))
        / levels.amplitude_v
        / part
    )
    grain = np.clip((part - 0.4) / 0.6, 0.05, 1.0) / math.sqrt(12)
    return K * interval * combined(jitter, float(grain))


def _part_per_sample(reading: LineReading) -> float:
    """Part of the swing that the median edge passes from one sample to the next, at its middle."""
    trace, levels = reading.trace, reading.levels
    some = reading.edges.times_s[:: max(len(reading.edges) // 256, 1)]
    if levels is None or not len(some) or len(trace) < 2:
        return 1.0
    after = np.clip(np.ceil((some - trace.start_s) / trace.interval_s).astype(np.int64), 1, len(trace) - 1)
    steps = trace.volts(trace.codes[after]) - trace.volts(trace.codes[after - 1])
    return min(median(np.abs(steps)) / levels.amplitude_v, 1.0)


def end_u(reading: LineReading) -> float:
    """Expanded uncertainty of a computed end of a stop bit: start edge plus total bits times the bit time."""
    bit = reading.bit_time_s
    bits = reading.frame.total_bits if reading.frame else 10.0
    return combined(edge_u(reading), bits * (bit.u_record if bit else 0.0))


def judged_latencies(evidence: Evidence) -> list[Echo]:
    """The echoes with a latency to believe: wholly seen, no bridge between the lines."""
    return [
        e
        for e in evidence.echoes
        if e.judged and e.status in _ANSWERED and e.shot not in evidence.bridged
        and e.stop_end_to_start_s is not None
    ]  # fmt: skip


def latency_value(evidence: Evidence, value_s: float) -> Value:
    """The latency with the uncertainty of its two ends and of the time base."""
    u = max(
        (
            combined(end_u(s.line(TO_TARGET)), edge_u(s.line(FROM_TARGET)))
            for s in evidence.shots
            if len(s.line(TO_TARGET).characters) and len(s.line(FROM_TARGET).characters)
        ),
        default=0.0,
    )
    return with_scale(value_s, u, evidence.expectation.accuracy.timebase_ppm * 1e-6, "s")


def latency_u(evidence: Evidence, value_s: float) -> float:
    """Expanded uncertainty of a latency, the instrument included."""
    return latency_value(evidence, value_s).u
