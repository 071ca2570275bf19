"""The scope: settings, status and acquisition behind any number of conversations.

What it understands is its maker's language (makers.py). A conversation is one controller's connection. It
hands in whole program messages and gets whole response messages; how those travel is the transport's business
(simulator/transports). Everything happens under one condition variable, `changed`, which the whole bench
shares.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from simulator.clock import Clock
from simulator.plan import BenchPlan, ScopePlan
from simulator.scope import panel
from simulator.scope.acquisition import CONDITIONS, IDLE, Acquisition
from simulator.scope.errors import ScpiError
from simulator.scope.inputs import Input
from simulator.scope.makers import Maker, maker_of
from simulator.scope.settings import Settings
from simulator.scope.status import OPC_BIT, Status
from simulator.scope.switches import Switches
from simulator.wires.contact import Node

if TYPE_CHECKING:
    from simulator.person import Person as PersonAtTheBench


class Cleared(Exception):
    """A device clear or a closed connection ended the message that was being carried out."""


class Scope:
    """The instrument."""

    def __init__(
        self,
        plan: BenchPlan,
        clock: Clock,
        nodes: dict[str, Node],
        changed: threading.Condition,
        switches: Switches | None = None,
    ) -> None:
        self.plan: ScopePlan = plan.scope
        self.maker: Maker = maker_of(plan.scope.maker)
        self.clock = clock
        self.changed = changed
        self.status: Status = Status()
        self.settings: Settings = self._after_reset()
        self.switches: Switches = switches or Switches(())
        self.inputs: tuple[Input, ...] = tuple(
            Input(plan_of, nodes, (plan.seed, number)) for number, plan_of in enumerate(plan.scope.inputs, 1)
        )
        self.acquisition: Acquisition = Acquisition(
            plan.scope, self.inputs, lambda: self.settings, self._on_state, plan.seed
        )
        self.before_message: Callable[[], None] = lambda: None
        """The bench lets what came in elsewhere happen first."""
        self.after_message: Callable[[], None] = lambda: None
        """The bench looks at what is to come."""
        self.person: PersonAtTheBench | None = None
        """Who can be asked to move probes and turn knobs (simulator/person.py)."""
        self._opc_wanted = False
        self._service_requested = False
        self._left_as_found(plan.scope)
        self._on_service: list[Callable[[int], None]] = []

    @property
    def identity(self) -> str:
        return f"{self.maker.signature},{self.plan.serial_number},{self.maker.firmware}"

    def now(self) -> float:
        return self.clock.now()

    def advance(self) -> None:
        """Lets everything happen that has happened by now."""
        self.acquisition.advance(self.now())
        self._request_service()

    def somebody_waits(self) -> None:
        """Progress was asked for: a virtual clock goes on to the next thing that is known to come."""
        event = self.acquisition.next_event(self.now())
        if event is not None:
            self.clock.reach(event)
        self.advance()

    def reset(self) -> None:
        """*RST."""
        self.acquisition.abort()
        self._opc_wanted = False
        self.settings = self._after_reset()

    def _left_as_found(self, plan: ScopePlan) -> None:
        """What somebody did to it before."""
        for message in plan.panel:
            panel.touch(self, message)
        for number in plan.errors_left:
            self.status.report(number, "from before")

    def power_cycle(self) -> None:
        """Off and on again: settings as after *RST, nothing in the queue, the power-on bit set."""
        self.reset()
        self.status = Status()
        self.acquisition.forget()

    def clear_status(self) -> None:
        """*CLS."""
        self.status.clear()
        self._opc_wanted = False

    def want_opc(self) -> None:
        """*OPC: bit 0 of the event register when nothing is pending."""
        if self.acquisition.busy:
            self._opc_wanted = True
        else:
            self.status.event |= OPC_BIT

    def report(self, error: ScpiError) -> None:
        self.status.report(error.number, error.detail)

    def add_service_listener(self, listener: Callable[[int], None]) -> None:
        """`listener` gets the status byte when service is requested."""
        self._on_service.append(listener)

    def remove_service_listener(self, listener: Callable[[int], None]) -> None:
        self._on_service.remove(listener)

    def _after_reset(self) -> Settings:
        settings = Settings.after_reset(self.plan)
        self.maker.wakes(settings)
        return settings

    def _on_state(self, state: str) -> None:
        self.status.operation.set_condition(CONDITIONS[state])
        if state == IDLE:
            if self._opc_wanted:
                self.status.event |= OPC_BIT
                self._opc_wanted = False
            if self.plan.fault_of_each_record:
                self.status.report(self.plan.fault_of_each_record, "digitiser")
            self.changed.notify_all()

    def _request_service(self) -> None:
        byte = self.status.byte(message_available=False)
        wanted = bool(byte & 64)
        if wanted and not self._service_requested:
            for listener in self._on_service:
                listener(byte)
        self._service_requested = wanted


class Conversation:
    """One controller's side."""

    def __init__(self, scope: Scope, still_wanted: Callable[[], bool] = lambda: True) -> None:
        self.scope = scope
        self.message_available = False
        """Kept by the transport: a response is on its way and not yet read."""
        self._still_wanted = still_wanted
        self._language = scope.maker.language
        self._clears = 0
        self._responses: list[bytes] = []
        self._asked_progress = False

    def execute(self, message: bytes) -> bytes:
        """Carries out one program message; the response message without its NL, empty when there is none."""
        scope = self.scope
        with scope.changed:
            scope.before_message()
            scope.clock.spend(scope.plan.message_cost_s)
            scope.advance()
            self._responses, self._asked_progress = [], False
            try:
                self._language.carry_out(self, message)
            except Cleared:
                self._responses = []
            scope.advance()
            if self._asked_progress:
                scope.somebody_waits()
            scope.after_message()
            return self._language.between_answers.join(self._responses)

    def answer(self, response: str | bytes, *, asks_progress: bool = False) -> None:
        """One answer of the message that is being carried out. `asks_progress`: whoever asked is waiting."""
        self._responses.append(response if isinstance(response, bytes) else response.encode("latin-1"))
        self._asked_progress = self._asked_progress or asks_progress

    def status_byte(self) -> int:
        """As a serial poll has it."""
        with self.scope.changed:
            self.scope.before_message()
            self.scope.clock.spend(self.scope.plan.message_cost_s)
            self.scope.advance()
            byte = self.scope.status.byte(message_available=self.message_available)
            self.scope.somebody_waits()
            return byte

    def clear(self) -> None:
        """Device clear: what is being carried out for this controller ends, its responses are dropped."""
        with self.scope.changed:
            self._clears += 1
            self.message_available = False
            self.scope.changed.notify_all()

    def group_trigger(self) -> None:
        """The transport's trigger message, as *TRG."""
        self.execute(b"*TRG")

    def report(self, number: int, detail: str = "") -> None:
        """The transport saw a fault of message exchange: -410, -420, -363."""
        with self.scope.changed:
            self.scope.status.report(number, detail)

    def has_response(self) -> bool:
        """For the status byte inside a message."""
        return self.message_available or bool(self._responses)

    def wait_until(self, instant: float) -> None:
        """The scope hears nothing else from this controller until then; the bench goes on meanwhile."""
        scope, clears = self.scope, self._clears
        while scope.now() < instant:
            scope.clock.sleep(scope.changed, instant)
            scope.before_message()
            if self._clears != clears:
                raise Cleared

    def wait_until_idle(self) -> None:
        """Blocks until no operation is pending; raises Cleared when nobody wants to know any more."""
        scope, clears = self.scope, self._clears
        while scope.acquisition.busy:
            scope.clock.sleep(scope.changed, scope.acquisition.next_event(scope.now()))
            scope.before_message()
            scope.advance()
            if self._clears != clears or not self._still_wanted():
                raise Cleared
