"""Both probes on one node: gain of the ranges that the station uses, zero, and channel against channel.

One node shows both channels the same volts at the same time, so that they can be compared without knowing
what is on it. Only a metered source says what is right.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from drivers.scope.setup import TriggerSetup
from service.acquire import Bench
from service.check.items import CheckItem, make_item
from service.check.reference import ReferenceView, Wave
from service.nominal import NOMINAL_V
from service.pipeline.decisions import FAIL
from service.pipeline.delay import channel_delay
from service.pipeline.findings import Finding, make_finding
from service.pipeline.idle import measure_idle
from service.pipeline.levels import find_states
from service.pipeline.overshoot import overshoot_percent
from service.pipeline.reading import read_line
from service.pipeline.trace import Trace
from service.recording import Taken, TimeBase, Window
from service.shots import trace_of
from service.sounding import FILLED_BEST, first_window
from service.stations import ROLES, Station

CLOSE = 1.35
"""One more range, in units of the wave."""
ROOM = 1.15
"""A wave fits a range when the range is so much larger."""
LEVEL_S, LEVEL_POINTS = 20e-3, 20_000
"""A level is the mean over a period of the mains at 50 Hz."""
EDGE_S, EDGE_POINTS = 2e-6, 4000
OVERSHOOT_U_PERCENT = 1.0
"""What noise leaves of the greatest excursion after one edge (expanded; seen in simulation)."""
LINEARITY_PERCENT = 0.15
"""Of the window (expanded): the step of 8 bits, and how straight converters are (common practice, no
source)."""


@dataclass(frozen=True)
class Swings:
    """The swing of one wave on both channels, range by range."""

    range_v: float
    by_role: Mapping[str, float]
    u_v: Mapping[str, float]


def ranges_of(station: Station) -> tuple[float, ...]:
    """The vertical windows that runs on this station use, volts: the first look, and the test itself."""
    low, high = NOMINAL_V[station.logic]
    return (first_window(station.logic).range_v, (high - low) / FILLED_BEST)


def swings(bench: Bench, view: ReferenceView, waves: Mapping[str, Wave]) -> list[Swings]:
    """The wave in each range in which it fits; `waves` by role, as seen before. Kept.

    Raises:
        DriverError, RunCancelled: as `Bench`.
    """
    widest = max(wave.swing_v for wave in waves.values())
    ranges = {max(window.range_v for window in view.windows.values()), CLOSE * widest}
    ranges |= {r for r in ranges_of(bench.station) if r >= ROOM * widest}
    found = []
    for range_v in sorted(ranges, reverse=True):
        centre = {role: (wave.low_v + wave.high_v) / 2 for role, wave in waves.items()}
        view.windows = {bench.station.probes[role].channel: Window(range_v, c) for role, c in centre.items()}
        sight = view.take(f"both on one node, {range_v:.3g} V", adapt=False)
        seen = {role: sight.waves[bench.station.probes[role].channel] for role in waves}
        known = {role: wave for role, wave in seen.items() if wave is not None}
        if len(known) == len(waves):
            found.append(
                Swings(
                    range_v,
                    {role: wave.swing_v for role, wave in known.items()},
                    {role: math.hypot(w.u_v, LINEARITY_PERCENT / 100 * range_v) for role, w in known.items()},
                )
            )
    return found


def of_swings(station: Station, found: list[Swings]) -> Iterator[CheckItem]:
    """Each channel's ranges against each other, and the channels against each other."""
    most = station.check_limits.gain_percent
    if not found:
        return
    for role in found[0].by_role:
        mean = sum(s.by_role[role] for s in found) / len(found)
        farthest = max(found, key=lambda s: abs(s.by_role[role] - mean))
        off, u = 100 * (farthest.by_role[role] / mean - 1), 100 * farthest.u_v[role] / mean
        told = ", ".join(f"{s.by_role[role]:.4g} V in {s.range_v:.3g} V" for s in found)
        yield make_item(f"{role}.gain_spread", off, u, f"channel/{role}", low=-most, high=most, because=told)
    if set(found[0].by_role) == set(ROLES):
        one, other = ROLES
        offs = [100 * (s.by_role[other] / s.by_role[one] - 1) for s in found]
        # rounding to codes falls otherwise in each range, so that the mean is better than one of them
        squares = sum((100 * math.hypot(*s.u_v.values()) / s.by_role[one]) ** 2 for s in found)
        off, u = sum(offs) / len(offs), math.sqrt(squares) / len(offs)
        most = station.check_limits.match_percent
        yield make_item("channel_match", off, u, "scope", low=-most, high=most)


def grounds(bench: Bench) -> Mapping[str, Trace]:
    """Both channels with their inputs at ground, by role, in the range that the test uses. Kept.

    Empty where the dialect knows no coupling.
    """
    coupling = bench.scope.dialect.setting("coupling")
    if coupling is None or "ground" not in coupling.words:
        return {}
    windows = {
        p.channel: Window(ranges_of(bench.station)[0], 0.0, "ground") for p in bench.station.probes.values()
    }
    taken = bench.forced(windows, level_base(bench), _no_trigger(bench), b"", "at ground")
    return _by_role(bench.station, taken)


def of_grounds(station: Station, traces: Mapping[str, Trace]) -> Iterator[CheckItem]:
    """Zero and noise of each channel."""
    low, high = NOMINAL_V[station.logic]
    limits, swing = station.check_limits, high - low
    for role, trace in traces.items():
        seen, subject, most = measure_idle(trace), f"channel/{role}", limits.zero_percent / 100 * swing
        yield make_item(f"{role}.zero", seen.zero_v.value, seen.zero_v.u, subject, low=-most, high=most)
        most = limits.noise_percent / 100 * swing
        yield make_item(f"{role}.noise", seen.noise_v.value, seen.noise_v.u, subject, high=most)


def level_base(bench: Bench) -> TimeBase:
    """A period of the mains."""
    points = min(LEVEL_POINTS, bench.memory.max_points)
    return TimeBase(max(LEVEL_S / points, bench.memory.min_interval_s), points, 0.0)


def edges_of(bench: Bench, view: ReferenceView, waves: Mapping[str, Wave]) -> Taken | None:
    """One rising edge of the wave on both channels, as finely as the scope can; None when nothing fires."""
    interval_s = max(EDGE_S / EDGE_POINTS, bench.memory.min_interval_s)
    base = TimeBase(interval_s, EDGE_POINTS, 0.25)
    first = waves[ROLES[0]]
    trigger = TriggerSetup(
        bench.station.probes[ROLES[0]].channel, level_v=(first.low_v + first.high_v) / 2, slope="rising"
    )
    return bench.triggered(view.windows, base, trigger, b"", "edge on both")


def of_edges(station: Station, taken: Taken) -> Iterator[CheckItem]:
    """Delay from channel to channel, and overshoot of each."""
    traces = _by_role(station, taken)
    for role, trace in traces.items():
        over = _overshoot(trace)
        if over is not None:
            most = station.check_limits.overshoot_percent
            yield make_item(f"{role}.overshoot", over, OVERSHOOT_U_PERCENT, f"probe/{role}", high=most)
    delay = channel_delay(*(traces[role] for role in ROLES))
    if delay is not None:
        most_s = station.check_limits.delay_max_s
        yield make_item("delay", delay.value, delay.u, "scope", low=-most_s, high=most_s)


def _overshoot(trace: Trace) -> float | None:
    """Of the one edge in the record, percent of the step."""
    states = find_states(trace.codes)
    line = read_line(trace, baud=1 / trace.duration_s)
    if states is None or not states.two:
        return None
    return overshoot_percent(trace, trace.codes, states, line.edges, trace.duration_s / 2)


def _no_trigger(bench: Bench) -> TriggerSetup:
    """A level that ground does not reach: nothing sets the scope off before it is forced."""
    channel = bench.station.probes[ROLES[0]].channel
    return TriggerSetup(channel, level_v=ranges_of(bench.station)[0] / 4)


def _by_role(station: Station, taken: Taken) -> dict[str, Trace]:
    return {
        role: trace_of(taken.capture.channel(p.channel), taken.capture) for role, p in station.probes.items()
    }


def findings_of(items: Sequence[CheckItem]) -> Iterator[Finding]:
    """The finding for each item that failed and has one in FINDINGS."""
    for item in items:
        code = FINDINGS.get(item.name.rsplit(".", 1)[-1])
        if code is not None and item.verdict == FAIL:
            line = item.name.partition(".")[0] if "." in item.name else None
            evidence = {"value": item.value, "u": item.u, "unit": item.unit}
            yield make_finding(code, line, f"{item.because}.", evidence=evidence)


FINDINGS = {
    "zero": "zero-off",
    "noise": "noisy",
    "gain": "channel-gain",
    "gain_spread": "channel-gain",
    "channel_match": "channels-differ",
    "overshoot": "ringing",
    "delay": "channels-skewed",
    "dropouts": "contact-lost",
}
"""Kind of item -> code."""
