"""A check at the bench: ask the scope, look at ground and at the idle lines, send known traffic.

Nothing is judged here. What an instrument refuses becomes a finding, and the rest is still tried.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from statistics import median

from drivers.errors import InstrumentError
from drivers.scope.capture import Identity
from drivers.scope.found_panel import FoundPanel
from drivers.scope.setup import Difference, TriggerSetup
from service.acquire import Bench
from service.check.known_traffic import slow_base, slow_text, texts
from service.closeup import echo_latency_s
from service.echo_test import Gathered, gather
from service.pipeline.findings import Finding, make_finding
from service.planning import LinePlan, ShotPlan, plan_shots
from service.recording import Taken, TimeBase, Window
from service.sounding import SOUNDING_CHARACTER, Sounding, first_window, sound, sounding_base

STEADY_SHOTS = 6
SECOND = b"\x0f\x0f"
"""What follows a single shot and must not be in its record: no character of it looks like the first."""
REST_S, REST_POINTS = 20e-3, 20_000
"""One period of the mains at 50 Hz, so that hum is seen whole."""
QUESTIONS = 5
MOST_SHOTS = 6
"""A scope with little memory shows less of the stream, and the item says how much."""
LATENCIES, SHORTEST = 4.0, 4.0
"""Listening after a shot where memory is short: times the latency seen, and characters at least."""


@dataclass(frozen=True)
class Told:
    """What the scope answers."""

    identity: Identity
    options: str | None
    passed_self_test: bool | None
    self_test_said: tuple[tuple[int, str], ...]
    """What the self-test left in the error queue: of its making, and out of the way of what follows."""
    answer_s: float
    """Median of some short questions."""
    left_over: tuple[tuple[int, str], ...]
    """What stood in its error queue when it was greeted: not of this check's making."""
    panel: FoundPanel | None
    """How it was found; None unless it is to be left so."""


@dataclass
class Seen:
    """What a station showed; None or empty where it was not asked for or not reached."""

    told: Told | None = None
    ground: Taken | None = None
    idle: Taken | None = None
    sounding: Sounding | None = None
    steady: tuple[Taken | None, ...] = ()
    single: Taken | None = None
    slow: Taken | None = None
    gathered: Gathered = field(default_factory=Gathered)
    planned: int = 0
    """Characters of the known traffic that were to be sent."""
    errors: tuple[tuple[int, str], ...] = ()
    """In the error queue at the end."""
    refused: tuple[Difference, ...] = ()
    findings: list[Finding] = field(default_factory=list)


def see(bench: Bench, steps: Sequence[str]) -> Seen:
    """Do the steps named, in the order of STEPS.

    Raises:
        NotReachable, ReplyError, RequestError: as `Bench`. RunCancelled.
    """
    seen = Seen()
    for name, step in STEPS.items():
        if name in steps:
            try:
                step(bench, seen)
            except InstrumentError as told:
                _keep_complaint(seen, told)
    seen.findings += bench.volts.findings()
    seen.errors = bench.scope.errors()
    return seen


def _keep_complaint(seen: Seen, told: InstrumentError) -> None:
    entries = [list(entry) for entry in told.entries]
    if not any(f.code == "instrument-error" for f in seen.findings):
        finding = make_finding(
            "instrument-error", None, str(told), severity="fail", evidence={"entries": entries}
        )
        seen.findings.append(finding)


def _ask(bench: Bench, seen: Seen) -> None:
    bench.hooks.progress("instrument", "asking the scope who it is and how it is", 0.05)
    scope = bench.scope
    took = []
    for _ in range(QUESTIONS):
        begun = time.perf_counter()
        scope.is_ready()
        took.append(time.perf_counter() - begun)
    left_over = scope.conversation.left_over
    passed = scope.self_test()
    said = () if passed is None else scope.errors()
    seen.told = Told(scope.identity, scope.options(), passed, said, median(took), left_over, scope.found)


def _rest(bench: Bench, seen: Seen) -> None:
    """The channels at ground, then the lines at rest."""
    bench.hooks.progress("idle", "looking at the idle lines", 0.1)
    interval_s = max(REST_S / REST_POINTS, bench.memory.min_interval_s)
    base = TimeBase(interval_s, min(REST_POINTS, bench.memory.max_points), 0.0)
    window = first_window(bench.station.logic)
    channels = [probe.channel for probe in bench.station.probes.values()]
    # a level that neither ground nor an idle line reaches: nothing may set the scope off before it is forced
    trigger = TriggerSetup(channels[0], level_v=window.offset_v)
    at_ground = {name: Window(window.range_v, 0.0, "ground") for name in channels}
    seen.ground = bench.forced(at_ground, base, trigger, b"", "ground")
    seen.idle = bench.forced(dict.fromkeys(channels, window), base, trigger, b"", "idle")


def _talk(bench: Bench, seen: Seen) -> None:
    seen.sounding = sounding = sound(bench)
    if sounding.triggered:
        _repeat(bench, seen, sounding)
    bench.hooks.progress("traffic", "sending known traffic", 0.3)
    plans = known_plans(bench, sounding)
    seen.planned = sum(len(plan.payload) for plan in plans)
    gather(bench, sounding, plans, seen.gathered)
    seen.refused = sounding.taken.state.differences


def _repeat(bench: Bench, seen: Seen, sounding: Sounding) -> None:
    """The same shot some times; a single one; one with many equal bits for the slow part of steps."""
    bench.hooks.progress("trigger", f"the same shot {STEADY_SHOTS} times", 0.2)
    base = sounding_base(bench)
    setting = (sounding.windows, base, sounding.trigger)
    seen.steady = bench.repeated(*setting, [SOUNDING_CHARACTER] * STEADY_SHOTS, "steady")
    seen.single = bench.triggered(*setting, SOUNDING_CHARACTER, "single", then=SECOND)
    text = slow_text(bench)
    seen.slow = bench.triggered(sounding.windows, slow_base(bench, len(text)), sounding.trigger, text, "slow")


def known_plans(bench: Bench, sounding: Sounding) -> tuple[ShotPlan, ...]:
    """All values once, finely sampled; then a long stream at the full rate of the line.

    A scope with little memory cannot listen for the longest latency that is allowed after each shot: there
    it listens for some times the latency that the sounding showed.
    """
    station = bench.station
    values, stream = texts(station)
    line = LinePlan(station.baud, station.frame, station.limits.latency_max_s)
    plans = plan_shots(values, line, bench.memory)
    if len(plans) > MOST_SHOTS:
        listen_s = max(LATENCIES * echo_latency_s(sounding, line.character_s), SHORTEST * line.character_s)
        line = dataclasses.replace(line, latency_max_s=min(listen_s, line.latency_max_s))
        plans = plan_shots(values, line, bench.memory)
    rest = plan_shots(stream, line, bench.memory)[: max(MOST_SHOTS - len(plans), 1)]
    return (*plans, *rest)


INSTRUMENT = "instrument"
STEPS: dict[str, Callable[[Bench, Seen], None]] = {INSTRUMENT: _ask, "idle": _rest, "traffic": _talk}
"""By name, as `--only` takes them."""
