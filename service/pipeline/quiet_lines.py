"""Lines that carry no signal of their own: at rest, with a copy of the other line on them, or with pick-up
only.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from service.pipeline.coupling import copy_on, rest_level
from service.pipeline.evidence import FROM_TARGET, TO_TARGET, Coupling, Evidence
from service.pipeline.readings import Characters, Edges, LineReading

COPY_SWING = 0.5
"""A line whose swing is under this part of the other's may carry no signal of its own."""
NEAR_BITS = 0.5
"""An edge within this many bit times of an edge of the other line belongs to that one."""
MOST_NEAR = 0.9
SHORT_BITS = 0.75
"""A pulse shorter than this many bit times is no bit of any character at that rate."""
EMPTY = Characters(*(np.empty(0, dtype=d) for d in (np.int32, float, float, np.uint8, np.int64, np.int64)))


def set_aside(evidence: Evidence) -> Evidence:
    """Read a line without a signal of its own as one at rest; note how much of the other line shows on it."""
    limit = evidence.expectation.limits.crosstalk_percent
    shots = list(evidence.shots)
    found: dict[str, list[tuple[int, float]]] = {}
    for number, shot in enumerate(evidence.shots):
        for role, other in ((FROM_TARGET, TO_TARGET), (TO_TARGET, FROM_TARGET)):
            reading, source = shot.line(role), shot.line(other)
            copied, pulses = copy_on(reading, source), _pulses_percent(reading, source)
            percent = copied.percent if copied is not None else pulses
            if percent is not None and percent >= limit:
                found.setdefault(role, []).append((number, percent))
            if pulses is not None or _has_no_signal(reading, source, copied is not None):
                shots[number] = shots[number].with_line(role, _at_rest(reading))
    couplings = tuple(
        Coupling(role, max(p for _, p in seen), tuple(n for n, _ in seen)) for role, seen in found.items()
    )
    return evidence.with_(shots=tuple(shots), couplings=couplings)


def _has_no_signal(reading: LineReading, source: LineReading, copied: bool) -> bool:
    """True when a small swing is the other line's copy, or mostly pulses too short for a character.

    A copy need not be large enough to be named (`crosstalk_percent`) to be no signal.
    """
    if reading.levels is None or source.levels is None:
        return False
    if reading.levels.amplitude_v > COPY_SWING * source.levels.amplitude_v:
        return False
    if reading.edges.glitches > len(reading.edges):
        return True
    near = distance_to(reading.edges.times_s, source.edges.times_s)
    bit = source.bit_time_s.value if source.bit_time_s else 4 * reading.trace.interval_s
    return copied and len(near) > 0 and bool(np.mean(near < NEAR_BITS * bit) > MOST_NEAR)


def _pulses_percent(reading: LineReading, source: LineReading) -> float | None:
    """How large, in percent of the source's swing, the pulses are that a line shows at the source's edges and
    nothing else; None for any other line.

    They may all go the same way, whichever way the source goes, or one sample of each is all that is seen:
    neither is a copy of its steps. A line with characters of its own holds its level for a bit at least, and
    one that is the source's own node for as long as the source.
    """
    times = reading.edges.times_s
    if reading.levels is None or source.levels is None or source.bit_time_s is None or len(times) < 2:
        return None
    part = reading.levels.amplitude_v / source.levels.amplitude_v
    if part > COPY_SWING:
        return None
    bit = source.bit_time_s.value
    resting = rest_level(reading.trace) > reading.levels.mid_v
    out, back = reading.edges.rising != resting, reading.edges.rising == resting
    whole = np.flatnonzero(out[:-1] & back[1:])
    if not len(whole):
        return None
    lasting = times[whole + 1] - times[whole]
    near = distance_to(times[whole], source.edges.times_s) < NEAR_BITS * bit
    only = np.mean((lasting < SHORT_BITS * bit) & near) > MOST_NEAR
    return 100 * part if only else None


def _at_rest(reading: LineReading) -> LineReading:
    """The same line as one without traffic, at the level that it held for most of the record."""
    return replace(
        reading,
        levels=None,
        idle_high=None,
        edges=Edges(np.empty(0), np.empty(0, dtype=bool)),  # its pulses are explained
        bit_time_s=None,
        characters=EMPTY,
        flat_v=rest_level(reading.trace),
        noise_v=reading.levels.noise_v if reading.levels else reading.noise_v,
        samples_per_bit=None,
    )


def distance_to(times: NDArray[np.float64], marks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of each time to the nearest mark; infinite without marks. Both sorted."""
    if not len(marks):
        return np.full(len(times), np.inf)
    after = np.clip(np.searchsorted(marks, times), 1, max(len(marks) - 1, 1))
    low, high = marks[np.minimum(after - 1, len(marks) - 1)], marks[np.minimum(after, len(marks) - 1)]
    return np.asarray(np.minimum(np.abs(times - low), np.abs(times - high)))
