"""Against something known from outside: characters at a known rate on a serial line, or a reference square
wave. Only these can prove the time base, the trigger's place and slope, and the probe factor."""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass, replace

import numpy as np

from drivers.errors import RequestError
from drivers.scope.capture import Capture
from drivers.scope.setup import ScopeState, TriggerSetup
from drivers.target.target import Target
from service.commissioning.outcome import DIFFERS, FAILS, WORKS, NotTried, Seen, worst
from service.commissioning.shot_lines import OFFSET_V, PLACE, WIDE_V, compare_record, forced, quiet_setup
from service.commissioning.trial import Trial
from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat, LineReading
from service.planning import two_digits_up
from service.shots import trace_of

SAMPLES_PER_BIT = 40
CHARACTERS = b"Tide 7 U"
"""Varied bits, so that only one rate fits; all of them fit into seven bits."""
TRIGGER_WAIT_S = 1.5
RATE_SAME, RATE_NEAR = 0.02, 0.06
"""A serial link may be 2 % off by itself (the README's table of limits)."""
REFERENCE_SAME, REFERENCE_NEAR = 0.01, 0.1
"""Reference outputs are made to show a probe's trim; 1 % is common (common practice, no source)."""
LEVEL_SAME, LEVEL_NEAR = 0.05, 0.2
QUIET_V = 0.4
GUESSED_V = 0.8
"""Trigger level on a line at rest at zero volts: every logic family is above it when high."""
PROBE_HINT = "compare the probe's switch with [channel.probe]"
SWINGS_V = ((1.2, 6.5), (8.0, 30.0))
"""Logic families and TIA-232 swing this much; ten times more or less is a probe factor."""


@dataclass(frozen=True)
class Traffic:
    """A serial link that characters can be sent on."""

    url: str
    baud: int
    frame: str = "8N1"

    @property
    def bit_s(self) -> float:
        return 1.0 / self.baud


@dataclass(frozen=True)
class Reference:
    """A square wave that both probe tips are held to."""

    hertz: float
    volts: float | None = None
    """From its low to its high level."""


@dataclass(frozen=True)
class _Shown:
    """A triggered record of a known signal."""

    channel: str
    trigger: TriggerSetup
    capture: Capture
    state: ScopeState
    lines: dict[str, LineReading]


def try_traffic(trial: Trial, traffic: Traffic) -> None:
    """Characters are sent; what the scope shows of them is held against the rate of the link."""
    with contextlib.ExitStack() as stack:
        links: list[Target] = []

        def link() -> Seen:
            links.append(stack.enter_context(Target(traffic.url, traffic.baud, traffic.frame)))
            return WORKS, f"{traffic.url} is open at {traffic.baud} {traffic.frame}"

        if trial.line("traffic link", link):
            _try_characters(trial, traffic, links[0])


def _try_characters(trial: Trial, traffic: Traffic, target: Target) -> None:
    shown: list[_Shown] = []

    def trigger() -> Seen:
        found = _triggered_by(trial, target, traffic, two_digits_up(traffic.bit_s / SAMPLES_PER_BIT))
        shown.append(found)
        return WORKS, f"ch{found.channel} triggers at {found.trigger.level_v:.3g} V"

    def coarser() -> Seen:
        interval = two_digits_up(4 * traffic.bit_s / SAMPLES_PER_BIT)
        return _rate(_triggered_by(trial, target, traffic, interval, shown[0].channel), traffic)

    if not trial.line("traffic triggers", trigger):
        return
    if not any(result.line == "record length" for result in trial.results):
        compare_record(trial, shown[0].capture, shown[0].state)
    trial.line("traffic rate", lambda: _rate(shown[0], traffic))
    trial.line("traffic rate, coarser time base", coarser)
    trial.line("traffic characters", lambda: _characters(shown[0]))
    trial.line("traffic trigger place", lambda: _place(shown[0], traffic.bit_s, first=True))
    trial.line("traffic levels", lambda: _levels(shown[0]))


def try_reference(trial: Trial, reference: Reference) -> None:
    """A square wave of known rate, and perhaps known height, on both channels."""
    shown: list[_Shown] = []

    def trigger() -> Seen:
        shown.append(_triggered_by_reference(trial, reference))
        return WORKS, f"ch{shown[0].channel} triggers at {shown[0].trigger.level_v:.3g} V"

    if not trial.line("reference triggers", trigger):
        return
    trial.line("reference rate", lambda: _reference_rate(shown[0], reference))
    trial.line("reference trigger place", lambda: _place(shown[0], 0.5 / reference.hertz))
    if reference.volts is not None:
        trial.line("reference levels", lambda: _reference_levels(shown[0], float(reference.volts or 0)))


# --- serial traffic ---------------------------------------------------------------------------------------


def _triggered_by(
    trial: Trial, target: Target, traffic: Traffic, interval_s: float, only: str | None = None
) -> _Shown:
    """The first channel on which the sent characters trigger."""
    frame = FrameFormat.parse(traffic.frame)
    points = math.ceil((len(CHARACTERS) + 4) * frame.total_bits * traffic.bit_s / interval_s)
    base = replace(quiet_setup(trial), sample_interval_s=interval_s, points=points, trigger_position=0.1)
    for channel in (only,) if only else trial.dialect.channels:
        trigger = _trigger_for(trial, channel)
        state = trial.scope.set_up(replace(base, trigger=trigger))
        trial.scope.arm()
        target.send(CHARACTERS)
        if trial.scope.wait(TRIGGER_WAIT_S + points * interval_s):
            capture = trial.scope.fetch()
            target.drain()
            return _Shown(channel, trigger, capture, state, _read(capture, frame))
        trial.scope.abort()
    raise RequestError(
        f"{len(CHARACTERS)} characters were sent to {traffic.url} and nothing triggered: look at the "
        "probes, the link, at [trigger.source], [trigger.level] and [trigger.slope], and whether volts "
        'are meant at the tip or at the connector (referred = "input")'
    )


def _trigger_for(trial: Trial, channel: str) -> TriggerSetup:
    """Half way from the level at rest to zero; a guess where it rests at zero, or cannot be seen."""
    try:
        capture, _ = forced(trial, quiet_setup(trial))
    except NotTried:
        return TriggerSetup(channel, 2 * GUESSED_V, "falling")
    record = capture.channel(channel)
    rest = float(np.median(record.codes)) * record.volts_per_code + record.volts_at_code_zero
    if abs(rest) < QUIET_V:
        return TriggerSetup(channel, GUESSED_V, "rising")
    return TriggerSetup(channel, rest / 2, "falling" if rest > 0 else "rising")


def _read(capture: Capture, frame: FrameFormat | None = None) -> dict[str, LineReading]:
    """Each channel, its rate found from the record alone: the nominal one must not help."""
    return {r.name: read_line(trace_of(r, capture), frame=frame) for r in capture.channels}


def _rate(shown: _Shown, traffic: Traffic) -> Seen:
    bit = shown.lines[shown.channel].bit_time_s
    if bit is None:
        return FAILS, f"no characters can be read from ch{shown.channel}"
    factor = 1 / bit.value / traffic.baud
    says = f"{1 / bit.value:.6g} baud on the wire, {traffic.baud} is set"
    if abs(factor - 1) <= RATE_SAME:
        return WORKS, says
    if abs(factor - 1) <= RATE_NEAR:
        return DIFFERS, says
    return FAILS, f"{says}: {factor:.4g} times as fast; compare the unit and the meaning of [sweep.interval]"


def _characters(shown: _Shown) -> Seen:
    seen = bytes(int(v) & 0xFF for v in shown.lines[shown.channel].characters.values)
    if seen[: len(CHARACTERS)] == CHARACTERS:
        return WORKS, f"{CHARACTERS.decode()!r} was sent and is seen on ch{shown.channel}"
    return FAILS, f"{CHARACTERS.hex(' ')} was sent, ch{shown.channel} shows {seen.hex(' ') or 'nothing'}"


def _place(shown: _Shown, longest_s: float, *, first: bool = False) -> Seen:
    """The edge that set off the trigger must lie at time zero, and go the right way.

    `first`: the line was at rest before, so that it must be the first edge of the record.
    """
    edges = shown.lines[shown.channel].edges
    if not len(edges):
        return FAILS, f"ch{shown.channel} triggered and its record shows no edge"
    nearest = int(np.argmin(np.abs(edges.times_s)))
    samples_s = 2 * shown.state.sample_interval_s
    allowed_s = max(samples_s, 0.1 * longest_s)
    if abs(edges.times_s[nearest]) <= allowed_s and bool(edges.rising[nearest]) != _rising(shown):
        return FAILS, f"a {shown.trigger.slope} edge was asked for, the other one triggered: [trigger.slope]"
    off_s = float(edges.times_s[0 if first else nearest])
    says = f"the edge lies {off_s:.3g} s from where the record says that the trigger was"
    if abs(off_s) > allowed_s:
        return FAILS, says + ": compare the meaning of [sweep.place], and the terms of the conversion"
    return (WORKS, says) if abs(off_s) <= samples_s else (DIFFERS, says)


def _rising(shown: _Shown) -> bool:
    return shown.trigger.slope == "rising"


def _levels(shown: _Shown) -> Seen:
    seen = []
    for name, line in shown.lines.items():
        if line.levels is None:
            seen.append((WORKS, f"ch{name} rests at {line.flat_v or 0.0:.3g} V"))
            continue
        says = f"ch{name} {line.levels.low_v:.3g} V and {line.levels.high_v:.3g} V"
        if line.levels.clipped_low or line.levels.clipped_high:
            seen.append((DIFFERS, f"{says}, beyond the window: {PROBE_HINT}"))
        elif any(low <= line.levels.amplitude_v <= high for low, high in SWINGS_V):
            seen.append((WORKS, says))
        else:
            seen.append((DIFFERS, f"{says}, no logic family: {PROBE_HINT}"))
    return worst(tuple(outcome for outcome, _ in seen)), "; ".join(says for _, says in seen)


# --- reference square wave --------------------------------------------------------------------------------


def _triggered_by_reference(trial: Trial, reference: Reference) -> _Shown:
    """Look at four periods without a trigger, then trigger in the middle of what is there."""
    period = 1.0 / reference.hertz
    interval = two_digits_up(period / 250)
    base = replace(quiet_setup(trial), sample_interval_s=interval, points=1000, trigger_position=PLACE)
    capture, _ = forced(trial, base)
    lines = _read(capture)
    for channel, line in lines.items():
        if line.levels is None:
            continue
        trigger = TriggerSetup(channel, line.levels.mid_v, "rising")
        state = trial.scope.set_up(replace(base, trigger=trigger))
        trial.scope.arm()
        if trial.scope.wait(TRIGGER_WAIT_S):
            taken = trial.scope.fetch()
            return _Shown(channel, trigger, taken, state, _read(taken))
        trial.scope.abort()
    raise RequestError(
        f"no square wave is seen, or none triggers, in a window of {WIDE_V} V around {OFFSET_V} V: hold both "
        "probe tips to the reference terminal"
    )


def _reference_rate(shown: _Shown, reference: Reference) -> Seen:
    edges = shown.lines[shown.channel].edges
    same = edges.times_s[edges.rising == edges.rising[0]] if len(edges) else edges.times_s
    if len(same) < 2:
        return (
            FAILS,
            f"fewer than two periods of {reference.hertz:g} Hz are seen in {shown.state.points} samples",
        )
    hertz = (len(same) - 1) / float(same[-1] - same[0])
    factor = hertz / reference.hertz
    says = f"{hertz:.6g} Hz are seen, {reference.hertz:g} Hz were said"
    if abs(factor - 1) <= REFERENCE_SAME:
        return WORKS, says
    return (DIFFERS, says) if abs(factor - 1) <= REFERENCE_NEAR else (FAILS, f"{says}: {factor:.4g} times")


def _reference_levels(shown: _Shown, volts: float) -> Seen:
    seen = []
    for name, line in shown.lines.items():
        height = line.levels.amplitude_v if line.levels else 0.0
        says, factor = f"ch{name} {height:.4g} V, {volts:g} V were said", height / volts
        if abs(factor - 1) <= LEVEL_SAME:
            seen.append((WORKS, says))
        elif abs(factor - 1) <= LEVEL_NEAR:
            seen.append((DIFFERS, says))
        else:
            seen.append((FAILS, f"{says}, {factor:.3g} times as much: {PROBE_HINT}"))
    return worst(tuple(outcome for outcome, _ in seen)), "; ".join(says for _, says in seen)
