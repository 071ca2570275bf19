"""Before the test: look at the idle lines, send one character, set windows and trigger by what is there.

The level of a trigger is never taken from the station's file: a wrong probe ratio, another logic family or
exchanged probes would make it miss. It is put in the middle of the levels that were measured.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from drivers.scope.setup import TriggerSetup
from service.acquire import Bench
from service.nominal import NOMINAL_V
from service.pipeline.reading import read_line
from service.pipeline.readings import LineReading
from service.pipeline.trace import Trace
from service.planning import LEAST_PER_BIT
from service.recording import Taken, TimeBase, Window
from service.shots import trace_of

SOUNDING_CHARACTER = b"\x55"
"""Ten edges in an 8N1 frame: the most that one character can show (ASCII U, T.50)."""
SOUNDING_BURST = SOUNDING_CHARACTER * 32
FIRST_WINDOW = 2.2
"""First window in units of the nominal swing."""
FILLED_BEST, FILLED_LEAST = 0.6, 0.2
"""A signal shall fill so much of its window; less than the second is looked at again with a smaller one."""
WIDER = 6.0
ATTEMPTS = 4
QUIET_FRACTION = 0.02
"""A level nearer to zero than this part of the window (5 of 256 codes) counts as zero in the first guess."""
LINK_DELAY_S = 0.06
"""Bridges hold characters back for up to 50 ms (public reports): a forced record is so much longer."""


@dataclass(frozen=True)
class Sounding:
    """What was found before the test."""

    windows: dict[str, Window]
    trigger: TriggerSetup
    taken: Taken
    """The last look: triggered, or forced when nothing triggered."""
    lines: dict[str, LineReading]

    @property
    def triggered(self) -> bool:
        return self.taken.capture.trigger.fired


def sound(bench: Bench) -> Sounding:
    """Windows and trigger for the station as it really is.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """
    channels = {role: probe.channel for role, probe in bench.station.probes.items()}
    bench.hooks.progress("sounding", "looking at the idle lines", 0.05)
    windows, idle = _idle_look(bench, channels)
    trigger = first_trigger(channels["to_target"], idle["to_target"], bench.station.logic)
    bench.hooks.progress("sounding", "sending one character to measure the levels", 0.1)
    sounding = _triggered_look(bench, channels, windows, trigger)
    if sounding is None:
        bench.hooks.progress("sounding", "nothing triggered: looking without a trigger", 0.15)
        forced = _forced_look(bench, channels, windows, trigger)
        sounding = _triggered_look(bench, channels, forced.windows, forced.trigger) or forced
    return sounding


def look_without_trigger(bench: Bench) -> Sounding:
    """What is on both lines while characters are sent, whatever the trigger would do.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """
    channels = {role: probe.channel for role, probe in bench.station.probes.items()}
    windows, idle = _idle_look(bench, channels)
    trigger = first_trigger(channels["to_target"], idle["to_target"], bench.station.logic)
    return _forced_look(bench, channels, windows, trigger)


def first_window(logic: str) -> Window:
    """Where to look first: the family's swing with room for overshoot."""
    low, high = NOMINAL_V[logic]
    return Window((high - low) * FIRST_WINDOW, (high + low) / 2)


def sounding_base(bench: Bench) -> TimeBase:
    """Half before, half after the trigger, so that exchanged probes show who spoke first."""
    bit_s = 1.0 / bench.station.baud
    half_s = 14 * bench.station.frame.total_bits * bit_s + 1.5 * bench.station.limits.latency_max_s
    memory = bench.memory
    interval = max(bit_s / (4 * LEAST_PER_BIT), 2 * half_s / memory.max_points, memory.min_interval_s)
    return TimeBase(interval, min(int(2 * half_s / interval), memory.max_points), 0.5)


def forced_base(bench: Bench, characters: int) -> TimeBase:
    """Long enough for so many characters and their echoes to arrive while the record fills."""
    bit_s = 1.0 / bench.station.baud
    memory = bench.memory
    window_s = LINK_DELAY_S + 2 * characters * bench.station.frame.total_bits * bit_s
    interval = max(bit_s / LEAST_PER_BIT, window_s / memory.max_points, memory.min_interval_s)
    return TimeBase(interval, min(int(window_s / interval), memory.max_points), 0.0)


def idle_base(bench: Bench) -> TimeBase:
    """Two characters of quiet line."""
    bit_s = 1.0 / bench.station.baud
    interval = max(bit_s / LEAST_PER_BIT, bench.memory.min_interval_s)
    return TimeBase(interval, int(2 * bench.station.frame.total_bits * LEAST_PER_BIT), 0.5)


def first_trigger(channel: str, idle: LineReading, logic: str) -> TriggerSetup:
    """A guess from the idle level alone: half way to zero, or half the nominal swing when idle is at zero."""
    low, high = NOMINAL_V[logic]
    level = idle.flat_v if idle.levels is None else idle.levels.mid_v
    if level is None or abs(level) < QUIET_FRACTION * first_window(logic).range_v:
        return TriggerSetup(channel, level_v=(low + high) / 2 or high / 2, slope="rising")
    return TriggerSetup(channel, level_v=level / 2, slope="falling" if level > 0 else "rising")


def settled_trigger(
    lines: Mapping[str, LineReading], channels: Mapping[str, str], fallback: TriggerSetup
) -> TriggerSetup:
    """The middle of the measured levels of the line that speaks first, away from its idle level."""
    role = speaking_first(lines)
    levels = lines[role].levels
    if levels is None:
        return fallback
    slope = "falling" if lines[role].idle_high in (True, None) else "rising"
    return TriggerSetup(channels[role], level_v=levels.mid_v, slope=slope)


def speaking_first(lines: Mapping[str, LineReading]) -> str:
    """The role whose line shows the first edge; "to_target" when neither or only that one does."""
    first = {role: line.edges.times_s[0] for role, line in lines.items() if len(line.edges)}
    if len(first) < len(lines):
        return "to_target"
    return min(first, key=lambda role: (first[role], role != "to_target"))


def refit(window: Window, line: LineReading) -> Window:
    """The same window when the signal (not clipped) sits well in it, else a better one."""
    if line.levels is None:
        return window
    amplitude = line.levels.amplitude_v
    filled = amplitude / window.range_v
    centred = abs(line.levels.mid_v - window.offset_v) < 0.15 * window.range_v
    if FILLED_LEAST <= filled <= 0.8 and centred:
        return window
    return Window(amplitude / FILLED_BEST, line.levels.mid_v)


def is_clipped(trace: Trace) -> bool:
    """Whether samples lie at the converter's ends."""
    codes = trace.codes
    if not len(codes):
        return False
    at_top = trace.code_max is not None and codes.max() >= trace.code_max
    at_bottom = trace.code_min is not None and codes.min() <= trace.code_min
    return bool(at_top or at_bottom)


def _idle_look(bench: Bench, channels: Mapping[str, str]) -> tuple[dict[str, Window], dict[str, LineReading]]:
    """Forced records with wider and wider windows until no line is clipped."""
    windows = {channel: first_window(bench.station.logic) for channel in channels.values()}
    trigger = TriggerSetup(channels["to_target"], level_v=windows[channels["to_target"]].offset_v)
    lines: dict[str, LineReading] = {}
    for attempt in range(1, ATTEMPTS + 1):
        taken = bench.forced(windows, idle_base(bench), trigger, b"", f"idle look {attempt}")
        lines = read_lines(bench, taken)
        better = {
            name: widened(bench, taken, name, windows[name])
            if is_clipped(lines[role].trace)
            else windows[name]
            for role, name in channels.items()
        }
        if better == windows:
            break
        windows = better
    return windows, lines


def widened(bench: Bench, taken: Taken, channel: str, window: Window) -> Window:
    """A wider window as far as the scope goes; the same one when the scope did not take the last widening."""
    got = taken.state.channels[channel].range_v
    if got < 0.9 * window.range_v:
        return window
    return Window(min(window.range_v * WIDER, bench.range_max_v), window.offset_v)


def _triggered_look(
    bench: Bench, channels: Mapping[str, str], windows: dict[str, Window], trigger: TriggerSetup
) -> Sounding | None:
    """One character after the other; None when nothing triggers."""
    base = sounding_base(bench)

    def look(windows: dict[str, Window], trigger: TriggerSetup, attempt: int) -> Taken | None:
        return bench.triggered(windows, base, trigger, SOUNDING_CHARACTER, f"sounding {attempt}")

    return _settle(bench, channels, windows, trigger, look)


def _forced_look(
    bench: Bench, channels: Mapping[str, str], windows: dict[str, Window], trigger: TriggerSetup
) -> Sounding:
    """The same without a trigger: a burst is sent while long records are taken."""
    base = forced_base(bench, len(SOUNDING_BURST))

    def look(windows: dict[str, Window], trigger: TriggerSetup, attempt: int) -> Taken:
        return bench.forced(windows, base, trigger, SOUNDING_BURST, f"forced look {attempt}")

    sounding = _settle(bench, channels, windows, trigger, look)
    assert sounding is not None  # a forced record always comes, or raises
    return sounding


def _settle(
    bench: Bench,
    channels: Mapping[str, str],
    windows: dict[str, Window],
    trigger: TriggerSetup,
    look: Callable[[dict[str, Window], TriggerSetup, int], Taken | None],
) -> Sounding | None:
    """Look, adapt windows and trigger to what was seen, look again, until the signals sit well."""
    attempt = 1
    while (taken := look(windows, trigger, attempt)) is not None:
        lines = read_lines(bench, taken)
        better = _refitted(bench, taken, windows, lines)
        trigger = settled_trigger(lines, channels, trigger)
        if better == windows or attempt == ATTEMPTS:
            return Sounding(windows, trigger, taken, lines)
        windows, attempt = better, attempt + 1
    return None


def _refitted(
    bench: Bench, taken: Taken, windows: Mapping[str, Window], lines: Mapping[str, LineReading]
) -> dict[str, Window]:
    better = dict(windows)
    for role, line in lines.items():
        name = bench.station.probes[role].channel
        clipped = is_clipped(line.trace)
        better[name] = widened(bench, taken, name, windows[name]) if clipped else refit(windows[name], line)
    return better


def read_lines(bench: Bench, taken: Taken) -> dict[str, LineReading]:
    """Both lines of a capture, by role as the station's file names them."""
    station = bench.station
    return {
        role: read_line(
            trace_of(taken.capture.channel(probe.channel), taken.capture),
            baud=station.baud,
            frame=station.frame,
            logic=station.logic,
        )
        for role, probe in station.probes.items()
    }
