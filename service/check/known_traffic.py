"""What a check sends: every value, a long stream, and many equal bits."""

from __future__ import annotations

from service.acquire import Bench
from service.recording import TimeBase
from service.stations import Station

SHUFFLES = (151, 37, 91, 203, 59, 117, 229, 83, 173, 11, 67, 139)
"""Odd numbers: value -> value x odd + odd goes through all values once, each time in another order."""
LONGEST_S = 3.5
"""At slow rates the stream is shorter: a room is waiting."""
SLOW_CHARACTERS = 16
SLOW_S = 600e-6
"""So long the line is kept low for nearly all the time: several time constants of a probe."""
REST_BITS = 12.0
LEAST_PER_BIT, MOST_POINTS = 20, 100_000


def texts(station: Station) -> tuple[bytes, bytes]:
    """All values in a shuffled order, and a stream of some thousand characters."""
    count = 1 << min(station.frame.data_bits, 8)
    runs = [bytes((value * odd + odd) % count for value in range(count)) for odd in SHUFFLES]
    stream = b"".join(runs[1:])
    character_s = station.frame.total_bits / station.baud
    return runs[0], stream[: max(int(LONGEST_S / character_s), count)]


def slow_text(bench: Bench) -> bytes:
    """NUL characters: low for nine of ten bits."""
    character_s = bench.station.frame.total_bits / bench.station.baud
    return bytes(max(min(SLOW_CHARACTERS, round(SLOW_S / character_s)), 3))


def slow_base(bench: Bench, characters: int) -> TimeBase:
    """The text, its echo, and a while of rest, with what came before the first edge."""
    station = bench.station
    bit_s = 1.0 / station.baud
    before_s = REST_BITS * bit_s
    talking_s = (characters + 2) * station.frame.total_bits * bit_s
    window_s = before_s + 1.06 * talking_s + station.limits.latency_max_s / 2
    points = min(MOST_POINTS, bench.memory.max_points)
    interval_s = max(window_s / points, bit_s / (2 * LEAST_PER_BIT), bench.memory.min_interval_s)
    return TimeBase(interval_s, min(int(window_s / interval_s), points), before_s / window_s)
