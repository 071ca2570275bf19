"""Drop-outs of an intermittent contact: stretches in which a line that should be driven shows nothing.

A probe that loses contact shows about zero volts. A serial line that idles high is at its low level for no
longer than the nine bits of a character (a break apart), so that a stretch near zero which is longer than
that is no traffic. Lines that idle near zero volts cannot show a lost contact: the answer is None, not "no
drop-out".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.pipeline.levels import neighbour_noise
from service.pipeline.sampling import code_step, spread_runs
from service.pipeline.trace import Trace
from service.pipeline.uncertainty import K

SHORTEST_S = 0.3e-3
LONGEST_CHARACTER_BITS = 12
"""Start, nine data, parity: no character holds the line low for longer; one bit of room."""
SEPARATION = 6.0
"""The driven level must lie so many noise rms from nothing to tell the two apart."""
FEWEST_SAMPLES = 3
"""In the shortest drop-out that is to be found."""
BLOCK = 1 << 20


@dataclass(frozen=True, eq=False)
class Dropouts:
    """What was found; arrays of shape (drop-outs,)."""

    starts_s: NDArray[np.float64]
    lengths_s: NDArray[np.float64]
    u_s: float
    """Expanded uncertainty of each start and (times sqrt 2) length: a sample interval, rectangular."""
    shortest_s: float
    """Shorter ones are not told from traffic or glitches."""
    watched_s: float

    @property
    def count(self) -> int:
        return len(self.starts_s)


def find_dropouts(
    trace: Trace, driven_v: float, *, baud: float | None = None, shortest_s: float = SHORTEST_S
) -> Dropouts | None:
    """Stretches of at least `shortest_s` nearer to zero volts than to the level `driven_v` of the resting
    line.

    `baud`: traffic at that rate may be on the line; `shortest_s` is then at least a character long. None
    where the record cannot tell: samples too far apart, or a driven level too near to zero for the noise.
    """
    if baud is not None:
        shortest_s = max(shortest_s, LONGEST_CHARACTER_BITS / baud)
    runs = spread_runs(trace.codes)
    noise_v = neighbour_noise(runs, code_step(runs)) * abs(trace.volts_per_code)
    step_v = abs(trace.volts_per_code)
    if trace.interval_s * FEWEST_SAMPLES > shortest_s or abs(driven_v) < SEPARATION * max(noise_v, step_v):
        return None
    starts, ends = _stretches(trace, driven_v)
    long = ends - starts >= int(shortest_s / trace.interval_s)
    starts, ends = starts[long], ends[long]
    return Dropouts(
        np.asarray(trace.start_s + (starts - 0.5) * trace.interval_s, dtype=np.float64),
        np.asarray((ends - starts) * trace.interval_s, dtype=np.float64),
        K * trace.interval_s / math.sqrt(12),
        shortest_s,
        trace.duration_s,
    )


def _stretches(trace: Trace, driven_v: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First sample of each stretch of nothing and of what follows it; noise does not cut a stretch in two.

    Schmitt trigger: it begins below 0.35 of the driven level and ends above 0.65.
    """
    scale, zero = trace.volts_per_code, trace.volts_at_code_zero
    low, high = (0.35 * driven_v - zero) / scale, (0.65 * driven_v - zero) / scale
    down = (driven_v > 0) == (scale > 0)
    changes: list[NDArray[np.int64]] = []
    values: list[NDArray[np.int8]] = []
    last = 0
    for begin in range(0, len(trace), BLOCK):
        part = trace.codes[begin : begin + BLOCK]
        lost = part < low if down else part > low
        there = part > high if down else part < high
        state = lost.view(np.int8) - there.view(np.int8)  # 1 nothing, -1 driven, 0 between
        known = np.flatnonzero(state)
        kept = state[known]
        if len(known) == 0:
            continue
        turn = np.flatnonzero(np.diff(kept, prepend=last if last else -kept[:1]))
        changes.append(known[turn] + begin)
        values.append(kept[turn])
        last = int(kept[-1])
    at = np.concatenate([np.zeros(0, np.int64), *changes])
    value = np.concatenate([np.zeros(0, np.int8), *values])
    starts = at[value > 0]
    ends = np.append(at[1:], len(trace))[value > 0]
    return starts, ends
