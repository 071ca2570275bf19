"""The person at a bench: moves probes, turns knobs, exchanges the board. All of it in bench time, while
everything else goes on.

In a test `bench.person`; through the scope's port the DIAGnostic:PERSon commands (scope/person_commands.py).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from simulator.ageing import aged
from simulator.plan import (
    FLOATING,
    FROM_TARGET,
    REFERENCE,
    TO_TARGET,
    BenchPlan,
    DriverPlan,
    TargetPlan,
    with_probe,
)
from simulator.scope import panel

if TYPE_CHECKING:
    from simulator.scope.instrument import Scope
    from simulator.wires.network import Network

NODES = (TO_TARGET, FROM_TARGET, REFERENCE, FLOATING)
FLOATING_HUM_V = 0.12
"""Peak at 50 Hz that a tip picks up which touches nothing (a choice of ours)."""


class Person:
    """Two hands. Every method may be called from any thread."""

    def __init__(self, plan: BenchPlan, scope: Scope, network: Network) -> None:
        self.plan = plan
        """The truth about the bench as it is now."""
        self._scope = scope
        self._network = network
        self._hum_v = tuple(plan_of.probe.hum_v for plan_of in plan.scope.inputs)

    def move_probe(self, channel: int, node: str) -> None:
        """Puts the tip of a channel's probe on to_target, from_target, reference, or leaves it floating."""
        if node not in NODES:
            raise ValueError(f"no node {node!r}, there are {', '.join(NODES)}")
        hum_v = max(self._hum_v[channel - 1], FLOATING_HUM_V if node == FLOATING else 0.0)
        self._change_probe(channel, node=node, hum_v=hum_v)

    def set_switch(self, channel: int, ratio: int) -> None:
        """Throws the switch on the probe: 1 or 10."""
        if ratio not in (1, 10):
            raise ValueError(f"a probe's switch stands at 1 or 10, not {ratio}")
        self._change_probe(channel, ratio=ratio)

    def turn_trimmer(self, channel: int, pf: float) -> None:
        """Sets the probe's trimmer; 12 pF is flat."""
        self._change_probe(channel, trimmer_pf=pf)

    def use_ground_lead(self, channel: int, ringing: float) -> None:
        """Another ground lead: overshoot as a part of a step, 0 with a short spring."""
        self._change_probe(channel, ringing=ringing)

    def bump(self, channel: int, seconds: float = 1e-3) -> None:
        """Knocks against the probe: its tip is off for so long."""
        with self._scope.changed:
            self._scope.before_message()
            self._scope.inputs[channel - 1].lose_contact(self._scope.now(), seconds)

    def touch_panel(self, settings: str) -> None:
        """Changes settings of the scope by hand, named as a message of the open standard."""
        with self._scope.changed:
            self._scope.before_message()
            panel.touch(self._scope, settings)

    def wire_loopback(self, wired: bool) -> None:
        """A wire from the adapter's output to its input, the board's output off; or that undone."""
        with self._scope.changed:
            self._scope.before_message()
            self._network.join(wired, self._scope.now())
            self.plan = replace(self.plan, bridged=wired)

    def swap_board(self, firmware: str, clock_ppm: float | None = None) -> None:
        """Another program on the board, or (with its clock) another board. KeyError for an unknown kind."""
        from simulator.faults import FIRMWARES, kind  # kinds are made of plans, this of both

        with self._scope.changed:
            self._scope.before_message()
            end = self.plan.target.end
            ppm = end.clock_ppm if clock_ppm is None else clock_ppm
            bare = replace(self.plan, target=TargetPlan(end=replace(end, clock_ppm=ppm, driver=DriverPlan())))
            self.plan = kind(FIRMWARES, firmware).change(bare)
            self._network.swap_board(self.plan.target, self._scope.now())

    def reset_board(self) -> None:
        """The reset button of the board: its boot loader begins anew."""
        with self._scope.changed:
            self._scope.before_message()
            self._network.board.reset(self._scope.now())

    def power_cycle(self) -> None:
        """The scope off and on. Connections stay; the switch `connection-refused` is for those."""
        with self._scope.changed:
            self._scope.before_message()
            self._scope.power_cycle()

    def wait_days(self, days: float) -> None:
        """So many days pass, in which only parts age."""
        with self._scope.changed:
            self._scope.before_message()
            older = aged(self.plan, days)
            scope = replace(self.plan.scope, inputs=older.scope.inputs)  # its clocks go on
            self.plan = replace(self.plan, scope=scope, age_days=older.age_days)
            for plan, way in zip(scope.inputs, self._scope.inputs, strict=True):
                way.change(plan, self._scope.now())

    def _change_probe(self, channel: int, **changes: object) -> None:
        with self._scope.changed:
            self._scope.before_message()
            self.plan = with_probe(self.plan, channel, **changes)
            self._scope.inputs[channel - 1].change(self.plan.scope.inputs[channel - 1], self._scope.now())
