"""The bit rate of a line as the mean over many characters: for comparing clocks.

A single character allows a bit time to within a sample over its length, whatever that does. Over hundreds of
characters the places of the edges between the samples are spread evenly, since nobody's clock is the scope's:
their scatter says how sure the mean is (JCGM 100:2008 4.2, type A). Only edges of the start edge's own
direction count, so that a threshold that is not in the middle, or unequal rise and fall, cancels.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from service.pipeline.readings import LineReading, Value
from service.pipeline.uncertainty import K, pooled

FEWEST = 16
"""Characters; fewer say too little of their scatter."""
SHORTEST_BITS = 4


def mean_bit_time(readings: Iterable[LineReading]) -> Value | None:
    """Bit time in seconds over all whole characters of the readings; None where there are too few.

    `u` is from the scatter alone: the scope's own clock is what is in question.
    """
    alike: dict[float, list[LineReading]] = {}
    for reading in readings:
        alike.setdefault(reading.trace.interval_s, []).append(reading)
    found = [one for interval_s, some in alike.items() if (one := _of_some(some, interval_s)) is not None]
    if not found:
        return None
    value, u = pooled(found)
    return Value(value, u, u, "s")


def _of_some(readings: Iterable[LineReading], interval_s: float) -> tuple[float, float] | None:
    """Least squares through the origin: spans of whole bits against their numbers of bits."""
    pairs = [pair for pair in map(_spans, readings) if pair is not None]
    if not pairs:
        return None
    spans, bits = (np.concatenate(column) for column in zip(*pairs, strict=True))
    if len(spans) < FEWEST:
        return None
    square = float(bits @ bits)
    mean = float(bits @ spans) / square
    rest = spans - bits * mean
    scatter = math.sqrt(float(rest @ rest) / (len(rest) - 1) / square)
    # where a bit is nearly a whole number of samples, one more or less is rare: the scatter may not show it
    one_sample = interval_s / float(bits.sum())
    return mean, K * math.hypot(scatter, one_sample)


def _spans(reading: LineReading) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Of each whole character: from its start edge to its last edge of that direction, and how many bits."""
    chars, times = reading.characters, reading.edges.times_s
    if reading.bit_time_s is None:
        return None
    whole = (chars.errors == 0) & (chars.first_edge >= 0) & (chars.last_edge > chars.first_edge + 1)
    first = chars.first_edge[whole]
    last = first + (chars.last_edge[whole] - first) // 2 * 2
    spans = times[last] - times[first]
    bits = np.round(spans / reading.bit_time_s.value)
    long = bits >= SHORTEST_BITS
    return spans[long], bits[long]
