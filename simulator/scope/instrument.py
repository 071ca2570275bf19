"""The scope: settings, status and acquisition behind any number of conversations.

A conversation is one controller's connection. It hands in whole program messages and gets whole response
messages; how those travel is the transport's business (simulator/transports). Everything happens under one
condition variable, `changed`, which the whole bench shares.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from simulator.clock import Clock
from simulator.plan import BenchPlan
from simulator.scope.acquisition import CONDITIONS, IDLE, Acquisition
from simulator.scope.commands import TREE
from simulator.scope.errors import ScpiError
from simulator.scope.front_end import Channel
from simulator.scope.settings import Settings
from simulator.scope.status import OPC_BIT, Status
from simulator.scope.switches import Switches
from simulator.scope.syntax import Unit, units
from simulator.scope.tree import Command
from simulator.wires.line import Node

MAKER, MODEL, FIRMWARE = "HARBOUR STREET WORKS", "HSW-2 SIMULATED SCOPE", "1.0"


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
        self.plan = plan.scope
        self.clock = clock
        self.changed = changed
        self.status: Status = Status()
        self.settings: Settings = Settings.after_reset(plan.scope)
        self.switches: Switches = switches or Switches(())
        channels = [
            Channel(plan_of, nodes, (plan.seed, number))
            for number, plan_of in enumerate(plan.scope.inputs, 1)
        ]
        self.acquisition = Acquisition(plan.scope, channels, lambda: self.settings, self._on_state, plan.seed)
        self.before_message: Callable[[], None] = lambda: None
        """The bench lets what came in elsewhere happen first."""
        self.after_message: Callable[[], None] = lambda: None
        """The bench looks at what is to come."""
        self._opc_wanted = False
        self._service_requested = False
        self._on_service: list[Callable[[int], None]] = []

    @property
    def identity(self) -> str:
        return f"{MAKER},{MODEL},{self.plan.serial_number},{FIRMWARE}"

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
        self.settings = Settings.after_reset(self.plan)

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


class Call:
    """One command being carried out: what its function gets."""

    def __init__(self, conversation: Conversation, command: Command, channel: int) -> None:
        self.conversation = conversation
        self.scope: Scope = conversation.scope
        self.command = command
        self.channel = channel
        self.values: list[object] = []

    @property
    def settings(self) -> Settings:
        return self.scope.settings

    def wait_until_idle(self) -> None:
        """Waits for pending operations."""
        self.conversation.wait_until_idle()


class Conversation:
    """One controller's side."""

    def __init__(self, scope: Scope, still_wanted: Callable[[], bool] = lambda: True) -> None:
        self.scope = scope
        self.message_available = False
        """Kept by the transport: a response is on its way and not yet read."""
        self._still_wanted = still_wanted
        self._clears = 0
        self._responses: list[bytes] = []
        self._arbitrary = False
        self._asked_progress = False

    def execute(self, message: bytes) -> bytes:
        """Carries out one program message; the response message without its NL, empty when there is none."""
        scope = self.scope
        with scope.changed:
            scope.before_message()
            scope.clock.spend(scope.plan.message_cost_s)
            scope.advance()
            self._responses, self._arbitrary, self._asked_progress = [], False, False
            try:
                self._carry_out(message)
            except Cleared:
                self._responses = []
            scope.advance()
            if self._asked_progress:
                scope.somebody_waits()
            scope.after_message()
            return b";".join(self._responses)

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

    def wait_until_idle(self) -> None:
        """Blocks until no operation is pending; raises Cleared when nobody wants to know any more."""
        scope, clears = self.scope, self._clears
        while scope.acquisition.busy:
            scope.clock.sleep(scope.changed, scope.acquisition.next_event(scope.now()))
            scope.before_message()
            scope.advance()
            if self._clears != clears or not self._still_wanted():
                raise Cleared

    def _carry_out(self, message: bytes) -> None:
        """A command error ends the message; after other errors the next unit is carried out."""
        above: tuple[str, ...] = ()
        try:
            for unit in units(message):
                if not unit.is_common:
                    above = self._path(unit, above)
                try:
                    self._unit(unit, above)
                except ScpiError as error:
                    if -200 < error.number <= -100:
                        raise
                    self.scope.report(error)
                if not unit.is_common:
                    above = above[:-1]
                self.scope.advance()
        except ScpiError as error:
            self.scope.report(error)

    def _path(self, unit: Unit, above: tuple[str, ...]) -> tuple[str, ...]:
        return unit.words if unit.rooted else above + unit.words

    def _unit(self, unit: Unit, path: tuple[str, ...]) -> None:
        command, channel = (TREE.common(unit.words[0]), 1) if unit.is_common else TREE.find(path)
        call = Call(self, command, channel)
        if unit.is_query:
            self._query(unit, call)
        else:
            self._command(unit, call)

    def _query(self, unit: Unit, call: Call) -> None:
        command = call.command
        if command.ask is None:
            raise ScpiError(-113, "no query form")
        if self._arbitrary:
            raise ScpiError(-440)
        _read_data(unit, call, command.ask_takes, command.ask_needs)
        answer = command.ask(call)
        self._responses.append(answer if isinstance(answer, bytes) else answer.encode("latin-1"))
        self._arbitrary = command.ends_message
        self._asked_progress = self._asked_progress or command.asks_progress

    def _command(self, unit: Unit, call: Call) -> None:
        command = call.command
        if command.do is None:
            raise ScpiError(-113, "no set form")
        _read_data(unit, call, command.takes, command.needs)
        if command.only_idle and self.scope.acquisition.busy:
            raise ScpiError(-221, "a record is being taken")
        command.do(call)


def _read_data(unit: Unit, call: Call, kinds: tuple[object, ...], needed: int) -> None:
    if len(unit.data) > len(kinds):
        raise ScpiError(-108, unit.data[len(kinds)].text[:20])
    if len(unit.data) < needed:
        raise ScpiError(-109)
    call.values = [kind.read(datum, call) for kind, datum in zip(kinds, unit.data, strict=False)]  # type: ignore[attr-defined]
