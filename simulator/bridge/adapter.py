"""The PC's serial adapter: bytes go onto the wire at the baud rate and come back from the WIRE."""

from __future__ import annotations

from collections import deque

from simulator.plan import BridgePlan
from simulator.target.firmware import BURST_GAP_S
from simulator.target.uart import Listener, Receiver, Transmitter
from simulator.wires.line import Step


class Adapter:
    """Paces what the PC writes; hands over what its own receiver hears."""

    def __init__(self, plan: BridgePlan, listener: Listener, *, phase: float = 0.0) -> None:
        self._plan = plan
        self.receiver = Receiver(listener, plan.end.frame, plan.end.bit_s, phase=phase)
        self.transmitter = Transmitter(plan.end.driver, plan.end.frame, plan.end.bit_s)
        self._inbox: deque[tuple[float, int]] = deque()
        self._sent_in_burst = 0

    def write(self, data: bytes, now: float) -> list[Step]:
        """The steps that these bytes make on the to-target wire, never faster than the rate."""
        if now > self.transmitter.free_at + BURST_GAP_S:
            self._sent_in_burst = 0
        steps: list[Step] = []
        for value in data:
            self._sent_in_burst += 1
            if self._plan.loses and self._sent_in_burst % self._plan.loses == 2:
                continue
            steps += self.transmitter.send(value, now + self._plan.start_delay_s)
        return steps if self._plan.connected else []

    def listen(self, known_until: float) -> None:
        """Takes what its receiver has heard up to then."""
        if self._plan.connected:
            for heard in self.receiver.run(known_until):
                self._inbox.append((heard.at + self._plan.hand_over_s, heard.value & 0xFF))

    def read(self, now: float) -> bytes:
        """Bytes that are due for the PC by now."""
        due = bytearray()
        while self._inbox and self._inbox[0][0] <= now:
            due.append(self._inbox.popleft()[1])
        return bytes(due)

    def next_due(self) -> float | None:
        """When the next byte is due for the PC."""
        return self._inbox[0][0] if self._inbox else None

    def last_due(self) -> float | None:
        """When the last byte that was heard so far is due."""
        return self._inbox[-1][0] if self._inbox else None
