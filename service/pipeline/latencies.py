"""Time from a sent character to its echo, and how well single edges and computed ends are known."""

from __future__ import annotations

import numpy as np

from service.pipeline.echoes import CHANGED, MOVED, OK, Echo
from service.pipeline.evidence import FROM_TARGET, TO_TARGET, Evidence
from service.pipeline.readings import LineReading, Value
from service.pipeline.uncertainty import K, combined, with_scale

_ANSWERED = (OK, CHANGED, MOVED)


def edge_u(reading: LineReading) -> float:
    """Expanded uncertainty of one edge's 50 % instant, seconds, from the record alone.

    Noise over slope (a straight edge over two samples or more) and the sampling grain, rectangular over one
    sample: the larger of both would do, the sum in quadrature is on the safe side.
    """
    interval = reading.trace.interval_s
    levels = reading.levels
    jitter = 0.0
    if levels is not None and levels.amplitude_v > 0:
        jitter = levels.noise_v * 2 * interval / levels.amplitude_v
    return K * combined(jitter, interval / np.sqrt(12))


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
