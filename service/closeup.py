"""A close look at the edges: one more character, sampled as finely as the scope can over its own length.

The record of a whole test is long (it listens on for late echoes), so its samples are too far apart for edges
of a few nanoseconds. This record holds one character and its echo only. Rise and fall times and overshoot are
measured in it and nothing else: it is no part of the test.
"""

from __future__ import annotations

from service.acquire import Bench
from service.planning import COMFORTABLE_POINTS, LinePlan, two_digits_up
from service.recording import Taken, TimeBase
from service.sounding import SOUNDING_CHARACTER, Sounding

BITS_BEFORE = 2.0
CHARACTERS_SHOWN = 2.2
"""The character, its echo, and a little of what follows."""
LONGEST_LATENCY_CHARACTERS = 40.0
"""An echo that takes longer than this is not waited for: the samples would be too far apart again."""


def look_closely(bench: Bench, sounding: Sounding) -> Taken | None:
    """The close-up; None when nothing triggered this time.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """
    character_s = bench.station.frame.total_bits / bench.station.baud
    base = closeup_base(bench, echo_latency_s(sounding, character_s))
    return bench.triggered(sounding.windows, base, sounding.trigger, SOUNDING_CHARACTER, "close-up")


def echo_latency_s(sounding: Sounding, character_s: float) -> float:
    """From the end of one line's first character to the start of the other's; 0 when only one line spoke."""
    starts = sorted(float(r.characters.start_s[0]) for r in sounding.lines.values() if len(r.characters))
    return max(starts[1] - starts[0] - character_s, 0.0) if len(starts) == 2 else 0.0


def closeup_base(bench: Bench, latency_s: float) -> TimeBase:
    """As fine as the scope goes over one character, its echo and `latency_s` between them."""
    station = bench.station
    line = LinePlan(station.baud, station.frame, station.limits.latency_max_s)
    before_s = BITS_BEFORE * line.bit_s
    wait_s = min(1.5 * latency_s, LONGEST_LATENCY_CHARACTERS * line.character_s)
    window_s = before_s + CHARACTERS_SHOWN * line.character_s + wait_s
    points = min(COMFORTABLE_POINTS, bench.memory.max_points)
    interval = two_digits_up(max(window_s / points, bench.memory.min_interval_s))
    return TimeBase(interval, min(int(window_s / interval), points), before_s / window_s)
