"""The scope's reference terminal as it is seen through the probes: a square wave, or nothing yet.

Looks adapt the vertical windows to what is there: a probe with the wrong factor, which shows ten times
too much or a tenth, is seen whole. A look is not kept; a take is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from drivers.scope.setup import TriggerSetup
from service.acquire import Bench
from service.pipeline.compensation import measure_compensation
from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat, LineReading, Value
from service.pipeline.square_wave import measure_square
from service.pipeline.trace import Trace
from service.recording import Taken, TimeBase, Window
from service.shots import trace_of
from service.sounding import is_clipped, refit, widened

PERIODS_SEEN, PERIODS_TAKEN = 2.6, 12.5
"""Enough for a look; enough to measure the rate to some ppm."""
POINTS_PER_PERIOD = 2000
"""A probe's slow part lasts about 110 us, a tenth of a period of 1 kHz: some hundred samples of it."""
FIRST_WINDOW = 1.7
"""In units of the terminal's printed volts."""
ATTEMPTS = 4
ABOUT = 0.3
"""A square wave whose rate is within this part of the printed one is the terminal's."""
BITS = FrameFormat(8, "N", 1)


@dataclass(frozen=True)
class Wave:
    """A square wave on one channel, volts at the tip as the scope believes; uncertainties k = 2."""

    low_v: float
    high_v: float
    u_v: float
    hertz: float
    u_hertz: float
    compensation: Value | None
    """Signed percent of the step; positive: over-compensated."""
    trace: Trace

    @property
    def swing_v(self) -> float:
        return self.high_v - self.low_v


@dataclass(frozen=True)
class Sight:
    """What all channels showed at one moment."""

    waves: Mapping[str, Wave | None]
    """By channel; None: no square wave of about the printed rate."""
    flat_v: Mapping[str, float]
    """Mean of what each channel showed."""
    highest_v: Mapping[str, float]
    """The farthest from zero that each channel showed."""
    clipped: frozenset[str]
    """Channels whose window would not become wide enough."""
    taken: Taken


class ReferenceView:
    """Looks at the reference terminal through one opened bench."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._printed = bench.station.reference
        self.channels = tuple(probe.channel for probe in bench.station.probes.values())
        self.windows = dict.fromkeys(self.channels, self._first())

    def look(self) -> Sight:
        """Not kept; the windows follow what is there.

        Raises:
            DriverError, RunCancelled: as `Bench`.
        """
        for _ in range(ATTEMPTS):
            taken = self._bench.glance(self.windows, self._base(PERIODS_SEEN), self._trigger())
            lines = self._lines(taken)
            better = {name: self._better(taken, name, line) for name, line in lines.items()}
            if better == self.windows:
                break
            self.windows = better
        return self._sight(taken, lines)

    def take(self, label: str, *, adapt: bool = True) -> Sight:
        """Kept under that label, or the one that was kept before the program died."""
        if adapt and self._bench.hooks.kept(label) is None:
            self.look()
        taken = self._bench.forced(self.windows, self._base(PERIODS_TAKEN), self._trigger(), b"", label)
        return self._sight(taken, self._lines(taken))

    def _first(self) -> Window:
        return Window(FIRST_WINDOW * self._printed.volts, self._printed.volts / 2)

    def _base(self, periods: float) -> TimeBase:
        memory = self._bench.memory
        window_s = periods / self._printed.hertz
        points = min(int(periods * POINTS_PER_PERIOD), memory.max_points)
        return TimeBase(max(window_s / points, memory.min_interval_s), points, 0.0)

    def _trigger(self) -> TriggerSetup:
        return TriggerSetup(self.channels[0], level_v=self._printed.volts / 2)

    def _lines(self, taken: Taken) -> dict[str, LineReading]:
        return {
            name: read_line(
                trace_of(taken.capture.channel(name), taken.capture), baud=2 * self._printed.hertz, frame=BITS
            )
            for name in self.channels
        }

    def _better(self, taken: Taken, name: str, line: LineReading) -> Window:
        window = self.windows[name]
        if is_clipped(line.trace):
            return widened(self._bench, taken, name, window)
        if line.levels is None:  # whatever was there is gone: be ready for what comes
            first = self._first()
            return first if abs((line.flat_v or 0.0) - first.offset_v) < first.range_v / 2 else window
        return refit(window, line)

    def _sight(self, taken: Taken, lines: Mapping[str, LineReading]) -> Sight:
        return Sight(
            waves={name: wave_of(line, self._printed.hertz) for name, line in lines.items()},
            flat_v={name: _mean(line.trace) for name, line in lines.items()},
            highest_v={name: _farthest(line.trace) for name, line in lines.items()},
            clipped=frozenset(name for name, line in lines.items() if is_clipped(line.trace)),
            taken=taken,
        )


def wave_of(line: LineReading, printed_hertz: float) -> Wave | None:
    """The line as a square wave; None when it is none of about that rate."""
    square = measure_square(line.trace)
    if square is None:
        return None
    low, high, hertz = square.low_v, square.high_v, square.frequency_hz
    if not (1 - ABOUT) * printed_hertz < hertz.value < (1 + ABOUT) * printed_hertz:
        return None
    slow = measure_compensation(line)
    return Wave(
        low.value,
        high.value,
        square.amplitude_v.u,
        hertz.value,
        hertz.u,
        slow.percent if slow else None,
        line.trace,
    )


def _mean(trace: Trace) -> float:
    return float(trace.codes.mean()) * trace.volts_per_code + trace.volts_at_code_zero


def _farthest(trace: Trace) -> float:
    ends = [
        float(c) * trace.volts_per_code + trace.volts_at_code_zero
        for c in (trace.codes.min(), trace.codes.max())
    ]
    return max(ends, key=abs)
