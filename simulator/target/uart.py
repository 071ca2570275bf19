"""A UART's two halves, working on the steps of a wire.

Receiver, after the published arithmetic of 16-times sampling receivers (standards.md 4.6, MCU manual A):
its clock ticks 16 times a bit with a phase of its own. A start edge is seen at the first tick that finds
space after mark: up to one tick late. Each element is the majority of ticks 8, 9 and 10 (counted from 1).
A start element without that majority was a false start. The stop element is judged the same way; as soon as
two of its ticks were mark another start edge counts. Space at the stop element: framing error, and the line
must go back to mark before another start edge counts.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

from simulator.frame import MARK, SPACE, Frame
from simulator.plan import DriverPlan
from simulator.wires.line import Step
from simulator.wires.waveform import SIGMAS_OF_RISE

TICKS = 16
FIRST, MIDDLE, LAST = 7, 8, 9
"""The three judged ticks of an element, counted from 0."""
_NORMAL = NormalDist()


@dataclass(frozen=True)
class Heard:
    """One received character and the instant at which the receiver handed it over."""

    value: int
    at: float
    framing_error: bool = False
    parity_error: bool = False


class Listener:
    """A logic input: turns steps into level changes at its threshold."""

    def __init__(self, threshold_v: float, idle_v: float) -> None:
        self._threshold_v = threshold_v
        self._volts = idle_v
        self._delays: dict[tuple[float, float, float], float] = {}
        self.times: list[float] = []
        """Instants at which the level changes; the level before the first is `first_level`."""
        self.first_level = MARK if idle_v > threshold_v else SPACE

    def hear(self, steps: Sequence[Step]) -> None:
        """Takes further steps of the wire."""
        for step in steps:
            if (step.volts > self._threshold_v) != (self._volts > self._threshold_v):
                way = (self._volts, step.volts, step.duration_s)
                if way not in self._delays:
                    self._delays[way] = self._delay(step)
                self.times.append(step.at + self._delays[way])
            self._volts = step.volts

    def forget(self, count: int) -> None:
        """Drops the first `count` changes."""
        del self.times[:count]
        if count % 2:
            self.first_level = 1 - self.first_level

    def _delay(self, step: Step) -> float:
        """The threshold is rarely at 50 % of the step: a Gaussian edge passes it earlier or later."""
        share = (self._threshold_v - self._volts) / (step.volts - self._volts)
        return _NORMAL.inv_cdf(min(max(share, 1e-6), 1 - 1e-6)) * step.duration_s / SIGMAS_OF_RISE


class Receiver:
    """Wire -> characters."""

    def __init__(self, listener: Listener, frame: Frame, bit_s: float, *, phase: float = 0.0) -> None:
        self.listener = listener
        self.frame = frame
        self._tick_s = bit_s / TICKS
        self._phase = phase
        self._next = 0
        """Index of the next level change that has not been passed."""

    def run(self, known_until: float) -> list[Heard]:
        """Characters whose last judged tick lies before `known_until`: until then the wire is known."""
        heard: list[Heard] = []
        while (start := self._next_start()) is not None:
            if start + self._length_s() > known_until:
                break
            character = self._read(start)
            if character is not None:
                heard.append(character)
        self._tidy()
        return heard

    def due(self) -> float | None:
        """Until when the wire must be known for the next character, None without a start edge."""
        start = self._next_start()
        return None if start is None else start + self._length_s()

    def _length_s(self) -> float:
        return (self.frame.bits_before_stop * TICKS + LAST) * self._tick_s

    def _next_start(self) -> float | None:
        """First tick that finds space after mark; skips spaces that no tick sees."""
        times = self.listener.times
        while self._next < len(times):
            index = self._next
            tick = self._tick_at_or_after(times[index])
            if self._level_after(index) == SPACE and self._level(tick) == SPACE:
                return tick
            self._next += 1
        return None

    def _read(self, start: float) -> Heard | None:
        if self._majority(start) == MARK:
            self._pass(start + LAST * self._tick_s)
            return None
        bits = [
            self._majority(start + number * TICKS * self._tick_s)
            for number in range(1, self.frame.bits_before_stop)
        ]
        stop_element = start + self.frame.bits_before_stop * TICKS * self._tick_s
        stop = self._majority(stop_element)
        end = stop_element + LAST * self._tick_s
        early = stop == MARK and self._level(stop_element + FIRST * self._tick_s) == MARK
        self._pass(end - self._tick_s if early else end)
        data = tuple(bits[: self.frame.data_bits])
        value = sum(bit << place for place, bit in enumerate(data))
        wrong = self.frame.parity != "N" and bits[-1] != self.frame.parity_bit(data)
        return Heard(value, end, framing_error=stop == SPACE, parity_error=wrong)

    def _majority(self, element: float) -> int:
        """Level of the element whose tick 0 is at `element`."""
        times, last = self.listener.times, element + LAST * self._tick_s
        passed = bisect_right(times, element + FIRST * self._tick_s, lo=self._next)
        if passed == len(times) or times[passed] > last:
            return self._level_after(passed - 1)  # no change between the three ticks
        marks = sum(self._level(element + tick * self._tick_s) for tick in (FIRST, MIDDLE, LAST))
        return MARK if marks >= 2 else SPACE

    def _level(self, instant: float) -> int:
        return self._level_after(bisect_right(self.listener.times, instant, lo=self._next) - 1)

    def _pass(self, instant: float) -> None:
        """Level changes up to this instant can no longer begin a character."""
        self._next = bisect_right(self.listener.times, instant, lo=self._next)

    def _level_after(self, index: int) -> int:
        return self.listener.first_level if index % 2 else 1 - self.listener.first_level

    def _tick_at_or_after(self, instant: float) -> float:
        ticks = math.ceil(instant / self._tick_s - self._phase)
        return (ticks + self._phase) * self._tick_s

    def _tidy(self) -> None:
        if self._next > 4096:
            keep = self._next - 2
            self.listener.forget(keep)
            self._next -= keep


class Transmitter:
    """Characters -> steps of the wire."""

    def __init__(self, driver: DriverPlan, frame: Frame, bit_s: float, *, stop_level: int = MARK) -> None:
        self.frame = frame
        self.bit_s = bit_s
        self.free_at = 0.0
        """End of the last thing that was sent."""
        self._moves = (
            lambda at: Step(at, driver.low_v, driver.fall_s),
            lambda at: Step(at, driver.high_v, driver.rise_s),
        )
        self._changes: dict[int, list[tuple[int, int]]] = {}
        """Of each value sent so far: element numbers at which the level changes, and to what."""
        self._stop_level = stop_level

    def send(self, value: int, not_before: float) -> list[Step]:
        """The steps of one character, which starts as soon as the line is free."""
        start = max(not_before, self.free_at)
        elements = self.frame.elements(value)
        steps = self._steps(value, start)
        end = start + len(elements) * self.bit_s
        self.free_at = start + self.frame.total_bits * self.bit_s
        if self._stop_level == SPACE:
            steps += self._edge(elements[-1], SPACE, end)
            steps += self._edge(SPACE, MARK, self.free_at)
            self.free_at += self.bit_s
        else:
            steps += self._edge(elements[-1], MARK, end)
        return steps

    def send_break(self, bits: float, not_before: float) -> list[Step]:
        """Space for that many bit times, then mark for two."""
        start = max(not_before, self.free_at)
        end = start + bits * self.bit_s
        self.free_at = end + 2 * self.bit_s
        return self._edge(MARK, SPACE, start) + self._edge(SPACE, MARK, end)

    def _steps(self, value: int, start: float) -> list[Step]:
        """From the start edge to the last change before the stop element."""
        if value not in self._changes:
            levels = (MARK, *self.frame.elements(value))
            pairs = enumerate(pairwise(levels))
            self._changes[value] = [(number, new) for number, (old, new) in pairs if old != new]
        bit_s = self.bit_s
        return [self._moves[new](start + number * bit_s) for number, new in self._changes[value]]

    def _edge(self, old: int, new: int, at: float) -> list[Step]:
        return [] if old == new else [self._moves[new](at)]
