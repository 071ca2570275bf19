"""The target board: hears the to-target WIRE through its own UART and answers on the from-target wire."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from simulator.plan import SerialEnd, TargetPlan
from simulator.target.firmware import BREAK_BITS, BURST_GAP_S, Answer, Memory
from simulator.target.uart import Heard, Listener, Receiver, Transmitter
from simulator.wires.line import Step

MOST_DRIFT = 0.04


class Board:
    """Receiver, one-character register, program, transmitter."""

    def __init__(self, plan: TargetPlan, listener: Listener, rng: np.random.Generator) -> None:
        self._plan = plan
        self._rng = rng
        end = plan.end
        self.receiver = Receiver(listener, end.frame, end.bit_s, phase=float(rng.uniform(0, 1)))
        self.transmitter = Transmitter(
            end.driver, plan.send_frame or end.frame, self._send_bit_s(end, 0), stop_level=plan.stop_level
        )
        self._memory = Memory()
        self._last_heard = -math.inf
        self._free_at = 0.0
        """Until then the program is busy and does not read the register."""
        self._register_read_at = -math.inf
        self.overruns = 0
        self._firmware_from = plan.boot_s
        """From then on the firmware runs; before it the boot loader."""

    def reset(self, now: float) -> None:
        """The reset button: the boot loader begins anew."""
        self._firmware_from = now + self._plan.boot_s
        self._memory = Memory()

    def run(self, known_until: float) -> list[Step]:
        """What it drives because of everything that it has heard by then."""
        steps: list[Step] = []
        for heard in self.receiver.run(known_until):
            if heard.at < self._register_read_at:
                self.overruns += 1  # the register still holds the character before: this one is lost
                continue
            steps += self._answer(heard)
        return steps

    def _answer(self, heard: Heard) -> list[Step]:
        memory, firmware = self._memory, self._plan.firmware
        if heard.at - self._last_heard > BURST_GAP_S:
            memory.heard = 0
        self._last_heard = heard.at
        read_at = max(heard.at, self._free_at) + firmware.read_s
        self._register_read_at = read_at
        work = firmware.work_s + memory.heard * firmware.slows_down_s
        done = read_at + work + float(self._rng.uniform(0, firmware.jitter_s))
        if firmware.polls:
            self._free_at = done
        self._set_rate(memory.heard)
        answers = firmware.program(memory, heard.value)
        if heard.at < self._firmware_from:
            self._firmware_from = heard.at + self._plan.boot_s
            answers = [Answer(value) for value in self._plan.boot_answer]
        memory.heard += 1
        return [step for answer in answers for step in self._send(answer, done)]

    def _send(self, answer: Answer, not_before: float) -> list[Step]:
        if answer.is_break:
            return self.transmitter.send_break(BREAK_BITS, not_before)
        return self.transmitter.send(answer.value, not_before)

    def _set_rate(self, heard: int) -> None:
        if self._plan.drift_percent_per_character:
            self.transmitter.bit_s = self._send_bit_s(self._plan.end, heard)

    def _send_bit_s(self, end: SerialEnd, heard: int) -> float:
        drift = min(heard * self._plan.drift_percent_per_character / 100, MOST_DRIFT)
        return replace(end, baud=end.baud * (1 + self._plan.send_rate_percent / 100) * (1 + drift)).bit_s
