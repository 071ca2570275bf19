"""The serial side of a bench: adapter, two wires, board, in the order in which things happen."""

from __future__ import annotations

import math

import numpy as np

from simulator.bridge.adapter import Adapter
from simulator.plan import FLOATING, FROM_TARGET, REFERENCE, TO_TARGET, BenchPlan, TargetPlan
from simulator.target.board import Board
from simulator.target.uart import Listener
from simulator.wires.contact import Contact, Node
from simulator.wires.line import Floating, Line, ReferenceOutput, Step

LOOK_AHEAD_S = 0.02
"""A long text is worked out in parts: this much before its time."""
POWER_UP_S = 1e-6
"""How fast the output of a board that is powered up takes its idle level."""


class Network:
    """Everything between the PC's bytes and the voltages on the probes' nodes."""

    def __init__(self, plan: BenchPlan) -> None:
        rng = np.random.default_rng([plan.seed, 2])
        sender, board = plan.bridge.end.driver, plan.target.end.driver
        self._joined = plan.bridged
        """The two lines are one node and the board's output is off it."""
        self._undriven = plan.undriven
        self._rng = rng
        self.to_target = Line(sender.high_v)
        self.from_target = self.to_target if plan.bridged else Line(board.high_v)
        self._half_v = (sender.high_v + sender.low_v) / 2
        self._board_hears = Listener(self._half_v, sender.high_v)
        self._adapter_hears = Listener(self._half_v, max(board.high_v, self._half_v + 0.1))
        self.board = Board(plan.target, self._board_hears, rng)
        self.adapter = Adapter(plan.bridge, self._adapter_hears, phase=float(rng.uniform(0, 1)))
        scope_clock = 1 + 1e-6 * plan.scope.clock_ppm
        self._from_target = Contact(Floating() if plan.undriven else self.from_target)
        self.nodes: dict[str, Node] = {
            TO_TARGET: self.to_target,
            FROM_TARGET: self._from_target,
            REFERENCE: ReferenceOutput(plan.scope.reference_hz * scope_clock, plan.scope.reference_v),
            FLOATING: Floating(),
        }

    def join(self, joined: bool, now: float) -> None:
        """A wire from the adapter's output to its input, the board's output off; or that undone."""
        if joined != self._joined:
            self._joined = joined
            self._from_target.touch(self.to_target if joined else self.from_target, now)

    def swap_board(self, plan: TargetPlan, now: float) -> None:
        """Another board, or another program on it: powered up now, it hears what comes from now on."""
        busy = self.board.transmitter.free_at
        self._board_hears = Listener(self._half_v, self.to_target.piece(now, now).start_v)
        coming = self.to_target.piece(now, math.inf)
        self._board_hears.hear(
            [Step(*step) for step in zip(coming.times, coming.volts, coming.durations, strict=True)]
        )
        self.board = Board(plan, self._board_hears, self._rng)
        self.board.reset(now)
        self.board.transmitter.free_at = max(busy, now)
        self._drive_from_target([Step(max(busy, now), plan.end.driver.high_v, POWER_UP_S)])

    def write(self, data: bytes, now: float) -> None:
        """The PC wrote these bytes now: what they make of the to-target wire is written down at once."""
        self._drive_to_target(self.adapter.write(data, now))
        self.catch_up(now)

    def catch_up(self, now: float) -> None:
        """Everybody hears what has happened by now, and a little ahead of it where that is already known."""
        self._hear(max(now, min(self.adapter.transmitter.free_at, now + LOOK_AHEAD_S)))

    def next_event(self) -> float | None:
        """The next instant at which the serial side has something to do, None when all is quiet."""
        waiting = (self.adapter.next_due(), self.board.receiver.due(), self.adapter.receiver.due())
        due = [instant for instant in waiting if instant is not None]
        return min(due, default=None)

    def quiet_at(self) -> float:
        """The instant at which everything that is going on now will be over; everybody has heard it then."""
        self._hear(self.adapter.transmitter.free_at)
        for _ in range(1000):
            pending = (self.board.receiver.due(), self.adapter.receiver.due())
            due = [instant for instant in pending if instant is not None]
            if not due:
                break
            self._hear(math.nextafter(max(due), math.inf))
        last_due = self.adapter.last_due() or 0.0
        return max(self.adapter.transmitter.free_at, self.board.transmitter.free_at, last_due)

    def _hear(self, known: float) -> None:
        self._drive_from_target(self.board.run(known))
        self.adapter.listen(max(known, self.board.transmitter.free_at))

    def _drive_to_target(self, steps: list[Step]) -> None:
        self.to_target.drive(steps)
        self._board_hears.hear(steps)
        if self._joined:
            self._adapter_hears.hear(steps)

    def _drive_from_target(self, steps: list[Step]) -> None:
        if not (self._joined or self._undriven):
            self.from_target.drive(steps)
            self._adapter_hears.hear(steps)
