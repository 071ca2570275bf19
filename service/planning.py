"""How a payload becomes shots: sample interval, record length, trigger place. Pure arithmetic, no instrument.

The reasons behind the numbers:
- Bit times are measured best when an edge spans a few samples, so the memory is used up to
  `COMFORTABLE_POINTS`, but never finer than `FINEST_PER_BIT` samples a bit: then only transfer time grows.
- At least `LEAST_PER_BIT` samples a bit wherever the memory allows; a payload that does not fit so is split.
- A record listens on after the last character for several times the allowed latency, since an echo that comes
  too late must be seen to be called late rather than missing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.pipeline.readings import FrameFormat

LEAST_PER_BIT = 20
FINEST_PER_BIT = 1000
COMFORTABLE_POINTS = 1_000_000
LISTEN_LATENCIES = 5.0
SHORTEST_LISTEN_LATENCIES = 1.25
WORTH_LONGER = 1.2
"""A record that is not longer by this factor is not taken again for it."""
BRIDGE_BURST = 64
"""USB-serial links deliver in bursts of this many characters ..."""
BRIDGE_GAP_S = 1e-3
"""... with gaps of about this length between them (public reports of such links, no standard)."""
IDLE_BITS_BEFORE = 12.0
"""The record starts a whole idle character before the trigger: the first start edge is then certain."""


@dataclass(frozen=True)
class Memory:
    """What the scope can do."""

    max_points: int = 1_000_000
    min_interval_s: float = 1e-9


@dataclass(frozen=True)
class ShotPlan:
    """One shot: the part of the payload it carries and how the scope is set for it."""

    payload: bytes
    sample_interval_s: float
    points: int
    trigger_position: float
    """Part of the record before the trigger, 0..1."""

    @property
    def window_s(self) -> float:
        return self.points * self.sample_interval_s


@dataclass(frozen=True)
class LinePlan:
    """What is needed of the line to plan shots."""

    baud: float
    frame: FrameFormat
    latency_max_s: float

    @property
    def bit_s(self) -> float:
        return 1.0 / self.baud

    @property
    def character_s(self) -> float:
        return self.frame.total_bits / self.baud


def plan_shots(payload: bytes, line: LinePlan, memory: Memory) -> tuple[ShotPlan, ...]:
    """Split `payload` into as few shots as keep LEAST_PER_BIT samples a bit.

    Where not even one character fits so, each shot carries one character and the interval is what the
    memory allows: the pipeline then says `too-few-samples`.

    Raises:
        ValueError: the payload is empty.
    """
    if not payload:
        raise ValueError("the payload is empty: an echo test needs at least one character to send")
    longest = memory.max_points * line.bit_s / LEAST_PER_BIT
    each = _characters_that_fit(len(payload), line, longest)
    shots = math.ceil(len(payload) / each)
    even = math.ceil(len(payload) / shots)
    return tuple(_shot(payload[i : i + even], line, memory) for i in range(0, len(payload), even))


def listening_longer(plan: ShotPlan, listen_s: float, line: LinePlan, memory: Memory) -> ShotPlan | None:
    """The same shot with `listen_s` after its last character, or what the memory allows of it.

    None where that is hardly longer than the shot is already.
    """
    latencies = listen_s / line.latency_max_s
    wanted = window_s(len(plan.payload), line, listen_latencies=latencies)
    longest = memory.max_points * line.bit_s / LEAST_PER_BIT
    if min(wanted, longest) < WORTH_LONGER * plan.window_s:
        return None
    return _shot(plan.payload, line, memory, listen_latencies=latencies)


def before_trigger_s(line: LinePlan) -> float:
    """Time that is recorded before the trigger event."""
    return IDLE_BITS_BEFORE * line.bit_s


def window_s(characters: int, line: LinePlan, *, listen_latencies: float = LISTEN_LATENCIES) -> float:
    """Record length for so many characters sent without a pause, their echoes and the listening after."""
    talking = characters * line.character_s + (characters // BRIDGE_BURST) * BRIDGE_GAP_S
    clocks_and_echo = 0.05 * characters * line.character_s + 2 * line.character_s
    return before_trigger_s(line) + talking + clocks_and_echo + listen_latencies * line.latency_max_s


def _characters_that_fit(wanted: int, line: LinePlan, longest_s: float) -> int:
    if window_s(wanted, line, listen_latencies=SHORTEST_LISTEN_LATENCIES) <= longest_s:
        return wanted
    low, high = 1, wanted
    while low < high:
        middle = (low + high + 1) // 2
        if window_s(middle, line, listen_latencies=SHORTEST_LISTEN_LATENCIES) <= longest_s:
            low = middle
        else:
            high = middle - 1
    return low


def _shot(
    payload: bytes, line: LinePlan, memory: Memory, listen_latencies: float = LISTEN_LATENCIES
) -> ShotPlan:
    longest = memory.max_points * line.bit_s / LEAST_PER_BIT
    shortest = window_s(len(payload), line, listen_latencies=SHORTEST_LISTEN_LATENCIES)
    wanted = window_s(len(payload), line, listen_latencies=listen_latencies)
    window = max(min(wanted, longest), shortest)
    points_wanted = max(min(COMFORTABLE_POINTS, memory.max_points), window / (line.bit_s / LEAST_PER_BIT))
    interval = max(
        window / min(points_wanted, memory.max_points), line.bit_s / FINEST_PER_BIT, memory.min_interval_s
    )
    interval = two_digits_up(interval)
    points = min(math.ceil(window / interval), memory.max_points)
    return ShotPlan(payload, interval, points, min(before_trigger_s(line) / (points * interval), 0.5))


def two_digits_up(value: float) -> float:
    """The next value with two significant digits: a setting that a person can read and a scope can hold."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    rounded = math.ceil(value / step - 1e-9) * step
    return float(f"{rounded:.1e}")
