"""A bench without sockets: the scope, the wires and the board in this thread, on the virtual clock."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.clock import VirtualClock
from simulator.faults import bench_plan
from simulator.plan import BenchPlan, InputPlan, ProbePlan
from simulator.scope.instrument import Conversation, Scope
from simulator.scope.switches import Switches
from simulator.wires.line import Step
from simulator.wires.network import Network

VERTICAL = (
    "*RST;*CLS;:SENS1:CORR ON;:SENS1:CORR:LOSS 20;:SENS2:CORR ON;:SENS2:CORR:LOSS 20;"
    ":SENS1:VOLT:RANG:PTP 5.12;OFFS 1.65;:SENS2:VOLT:RANG:PTP 5.12;OFFS 1.65;:FORM INT,8"
)
VOLTS_PER_CODE = 0.02


class Desk:
    """What a test talks to. `send` is the PC's write; it takes as long as it sets anything off."""

    def __init__(self, plan: BenchPlan | None = None, **kinds: Any) -> None:
        self.plan = plan or bench_plan(**kinds)
        self.clock = VirtualClock()
        self.network = Network(self.plan)
        self.scope = Scope(
            self.plan,
            self.clock,
            self.network.nodes,
            threading.Condition(threading.RLock()),
            Switches(("dies-in-block",)),
        )
        self.conversation = Conversation(self.scope)

    def ask(self, message: str) -> str:
        return self.conversation.execute(message.encode("latin-1")).decode("latin-1")

    def tell(self, message: str) -> None:
        """A message without a query that must leave no error."""
        assert self.ask(message) == ""
        assert self.ask("SYST:ERR?") == '0,"No error"', message

    def error(self, message: str) -> int:
        """The number of the first error that a message leaves."""
        self.ask("*CLS")
        self.ask(message)
        return int(self.ask("SYST:ERR:CODE?"))

    def send(self, data: bytes) -> bytes:
        """The PC writes; back comes what it would read."""
        self.network.write(data, self.clock.now())
        self.clock.reach(self.network.quiet_at())
        return self.network.adapter.read(self.clock.now())

    def move(self, at: float, volts: float, duration_s: float = 1e-9) -> None:
        """Moves the to-target wire by hand."""
        self.network.to_target.drive([Step(at, volts, duration_s)])

    def codes(self, channel: int = 1) -> NDArray[np.int8]:
        """The last record as INTeger,8."""
        reply = self.conversation.execute(f"FETC:VOLT? (@{channel})".encode())
        assert reply[:1] == b"#", self.ask("SYST:ERR?")
        digits = int(reply[1:2])
        assert int(reply[2 : 2 + digits]) == len(reply) - 2 - digits
        return np.frombuffer(reply[2 + digits :], dtype=np.int8)

    def volts(self, channel: int = 1) -> NDArray[np.float64]:
        """The last record in volts; the window of VERTICAL."""
        return self.codes(channel).astype(np.float64) * VOLTS_PER_CODE + 1.65


def ideal(plan: BenchPlan | None = None, **input_changes: Any) -> BenchPlan:
    """A bench whose scope has no errors: exact clock, gain and zero, no noise, much bandwidth."""
    plan = plan or bench_plan()
    exact = {
        "noise_v": 0.0,
        "noise_of_range": 0.0,
        "gain_error": 0.0,
        "offset_error_v": 0.0,
        **input_changes,
    }
    inputs = [InputPlan(probe=ProbePlan(node=known.probe.node), **exact) for known in plan.scope.inputs]
    scope = replace(plan.scope, inputs=(inputs[0], inputs[1]), clock_ppm=0.0, trigger_noise_v=0.0)
    return replace(plan, scope=scope)
