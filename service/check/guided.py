"""The guided check: a person moves the probes, one step at a time; the run watches and goes on by itself.

Each probe on the reference terminal (factor, compensation, trimmed live where it is off), both on one node
(gain of the ranges, zero, channel against channel, delay), a metered source where there is one, and back.
Looks are not kept, takes are: a run whose program died goes on at its step.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.acquire import Bench, open_bench
from service.check import cautions, guided_steps, metered, vertical
from service.check.board import look_at_board
from service.check.items import CheckItem, make_item
from service.check.live import Live
from service.check.reference import ReferenceView, Sight, Wave
from service.check.reference_rules import of_compensation, of_probe, of_terminal
from service.check.settling import settled
from service.check.walk import STEP_LIMIT_S, Done, Step, Walk, as_documents
from service.hooks import Look, RunHooks
from service.nominal import factor_of
from service.pipeline.findings import Finding
from service.stations import ROLES, Station
from service.too_high import finding_of

PLANNED = 5


@dataclass(frozen=True)
class GuidedOptions:
    """What the person brought along."""

    metered_volts: float | None = None
    """Of a source that was measured by a meter in date."""
    meter: str | None = None
    """The meter's name or number; stands in the document."""
    step_limit_s: float = STEP_LIMIT_S


@dataclass
class Guided:
    """What a walk brought."""

    items: list[CheckItem] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    more: dict[str, Any] = field(default_factory=dict)

    def notice(self, noticed: Iterator[CheckItem | Finding]) -> None:
        for one in noticed:
            if isinstance(one, Finding):
                self.findings.append(one)
            else:
                self.items.append(one)


def walk_guided(
    station: Station,
    hooks: RunHooks,
    options: GuidedOptions = GuidedOptions(),
    shared: Walk | None = None,
) -> Guided:
    """Lead a person through the station's probes and channels. `shared`: steps of a longer walk.

    Raises:
        DriverError, RunCancelled; NobodyCame: a step was not done in time. ValueError: a voltage, no meter.
    """
    if options.metered_volts is not None and not options.meter:
        raise ValueError("a metered voltage needs the meter that measured it: state its name or number")
    with open_bench(station, hooks) as bench:
        alone = Walk(hooks, steps_of(options), options.step_limit_s, room=station.room)
        walk = _Probes(bench, shared or alone)
        walk.enter()
        waves = {role: wave for role in ROLES if (wave := walk.one_probe(role)) is not None}
        walk.found.notice(of_terminal(station, _right(station, waves)))
        walk.both_on_one()
        if options.metered_volts is not None:
            walk.on_metered(options.metered_volts, options.meter or "")
        walk.back()
    return walk.ended(options)


def steps_of(options: GuidedOptions) -> int:
    """How many steps there are when nothing is wrong."""
    return PLANNED + (options.metered_volts is not None)


def _bent(station: Station, role: str, wave: Wave) -> bool:
    """Whether the corner is off by so much that it is a finding."""
    return any(isinstance(one, Finding) for one in of_compensation(station, role, wave))


def _right(station: Station, waves: Mapping[str, Wave]) -> dict[str, Wave]:
    """Without those that a wrong factor spoils."""
    return {r: w for r, w in waves.items() if factor_of(w.swing_v, station.reference.volts) in (None, 1.0)}


class _Probes:
    """The walk's steps at one opened bench."""

    def __init__(self, bench: Bench, walk: Walk) -> None:
        self.bench = bench
        self.station = bench.station
        self.walk = walk
        self.view = ReferenceView(bench)
        self.live = Live(self.station, self.view)
        self.found = Guided()

    def enter(self) -> None:
        """Nothing is done yet; the cautions are read."""
        text = "Read the cautions. Both probes may hang where they are; then go on."
        self.walk.step(Step("before you begin", text, cautions.ENTRY), self.live.lines)

    def one_probe(self, role: str) -> Wave | None:
        """The probe on the terminal, put right where a hand can; its wave, None when there is none."""
        alone = role == ROLES[0]
        done = self.walk.step(
            guided_steps.on_terminal(self.station, role), lambda: self.live.wave(role, alone)
        )
        if done.skipped:
            self.found.items.append(left_out(f"{role}.reference_factor", f"probe/{role}"))
            return None
        sight = self._take(f"reference {role}", done)
        first = Guided()
        first.notice(of_probe(self.station, role, sight, alone))
        wave = sight.waves[self.station.probes[role].channel]
        if wave is not None and factor_of(wave.swing_v, self.station.reference.volts) in (10.0, 0.1):
            sight = self._again(
                role, guided_steps.switch(self.station, role), lambda: self.live.factor(role), "switch"
            )
            wave = sight.waves[self.station.probes[role].channel]
        if wave is not None and _bent(self.station, role, wave):
            sight = self._again(
                role, guided_steps.trim(self.station, role), self.live.trimmer(role), "trimmed"
            )
            wave = sight.waves[self.station.probes[role].channel]
        last = Guided()
        last.notice(of_probe(self.station, role, sight, alone))
        self.found.items += last.items
        self.found.findings += settled(first.findings, last.findings)
        return wave

    def both_on_one(self) -> None:
        """Channel against channel, range by range."""
        done = self.walk.step(guided_steps.both(self.station), self.live.both)
        self.bench.hooks.progress("channels", "comparing the channels, range by range", 0.6)
        self.found.notice(vertical.of_grounds(self.station, vertical.grounds(self.bench)))
        if done.skipped:
            self.found.items.append(left_out("channel_match", "scope"))
            return
        sight = self._take("both on the terminal", done)
        seen = {r: w for r in ROLES if (w := sight.waves[self.station.probes[r].channel]) is not None}
        if len(seen) < len(ROLES):
            return
        edges = vertical.edges_of(self.bench, self.view, seen)
        self.found.notice(vertical.of_swings(self.station, vertical.swings(self.bench, self.view, seen)))
        if edges is not None:
            self.found.notice(vertical.of_edges(self.station, edges))

    def on_metered(self, volts: float, meter: str) -> None:
        """The second witness for volts."""
        step = metered.step_for(self.station, volts, meter)
        done = self.walk.step(step, lambda: metered.look(self.bench, volts))
        if not done.skipped:
            self.found.notice(metered.measure(self.bench, volts, meter))

    def back(self) -> None:
        """The probes where runs expect them."""
        done = self.walk.step(guided_steps.back(self.station), lambda: look_at_board(self.bench).as_look())
        if done.by == "person" and not done.skipped:
            self.found.notice(look_at_board(self.bench).noticed())

    def ended(self, options: GuidedOptions) -> Guided:
        """All of it, with what a reader must know of its witnesses."""
        for role, volts in self.live.too_high.items():
            self.found.findings.append(finding_of(self.station, role, volts))
        self.found.notice(vertical.findings_of(self.found.items))
        witness: Any = "reference only"
        if options.metered_volts is not None:
            witness = {"volts": options.metered_volts, "meter": options.meter}
        self.found.more["guided"] = {
            "steps": as_documents(self.walk.done),
            "volts": witness,
            "time_base": "not proven by the reference terminal: it runs from the scope's own oscillator",
        }
        return self.found

    def _again(self, role: str, step: Step, look: Callable[[], Look], label: str) -> Sight:
        done = self.walk.step(step, look, extra=True)
        return self._take(f"reference {role} {label}", done)

    def _take(self, label: str, done: Done) -> Sight:
        self.bench.hooks.progress("measuring", f"{done.step.name}: measuring", 0.5)
        return self.view.take(label)


def left_out(name: str, subject: str) -> CheckItem:
    """A person left the step out: the item is neither good nor bad."""
    return make_item(name, None, None, subject, because="the step was left out")
