"""Status reporting: IEEE 488.2 clause 11 (ESR, ESE, STB, SRE), SCPI OPERation and QUEStionable."""

from __future__ import annotations

from simulator.scope.errors import ErrorQueue, event_bit

ALL_16 = 0x7FFF
"""Bit 15 of a SCPI register is always 0."""
SWEEPING, WAITING_FOR_TRIGGER = 8, 32
OPC_BIT, POWER_ON_BIT = 1, 128


class Register:
    """Condition -> transition filters -> event, with an enable mask."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0
        self.positive = ALL_16
        self.negative = 0

    def set_condition(self, value: int) -> None:
        """A new condition; passed transitions latch in the event register."""
        rose = value & ~self.condition & self.positive
        fell = self.condition & ~value & self.negative
        self.event |= rose | fell
        self.condition = value

    def take_event(self) -> int:
        """Reads and clears the event register."""
        event, self.event = self.event, 0
        return event

    def preset(self) -> None:
        """As STATus:PRESet wants it."""
        self.enable, self.positive, self.negative = 0, ALL_16, 0

    @property
    def summary(self) -> bool:
        return bool(self.event & self.enable)


class Status:
    """All status of the instrument; MAV belongs to each conversation and is told."""

    def __init__(self) -> None:
        self.errors = ErrorQueue()
        self.operation = Register()
        self.questionable = Register()
        self.event = POWER_ON_BIT
        self.event_enable = 0
        self._service_enable = 0

    @property
    def service_enable(self) -> int:
        return self._service_enable

    @service_enable.setter
    def service_enable(self, value: int) -> None:
        self._service_enable = value & ~64  # bit 6 is ignored and reads back 0

    def report(self, number: int, detail: str = "") -> None:
        """An error or event: into the queue, and its bit into the event register."""
        entered = self.errors.add(number, detail)
        self.event |= event_bit(number) | event_bit(entered)

    def take_event(self) -> int:
        """*ESR?: reads and clears."""
        event, self.event = self.event, 0
        return event

    def clear(self) -> None:
        """*CLS: event registers and queue; enable masks stay."""
        self.event = 0
        self.operation.event = 0
        self.questionable.event = 0
        self.errors.clear()

    def byte(self, *, message_available: bool) -> int:
        """The status byte as *STB? has it: bit 6 is the master summary."""
        bits = (
            (4, len(self.errors) > 0),
            (8, self.questionable.summary),
            (16, message_available),
            (32, bool(self.event & self.event_enable)),
            (128, self.operation.summary),
        )
        byte = sum(weight for weight, is_set in bits if is_set)
        return byte | (64 if byte & self._service_enable else 0)
