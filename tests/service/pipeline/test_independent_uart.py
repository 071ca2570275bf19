"""Characters from a transmitter that others wrote as hardware: LiteX's RS232PHYTX (litex.soc.cores.uart),
clocked in Migen's simulator, each of its clocks one sample of the record.

Nothing of it is ours: start bit, order of bits, stop bit and the phase accumulator that makes the bit time
are its own. So is a start element that lasts one clock too long, as its state machine takes one to get going.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

import numpy as np
import pytest
from litex.soc.cores.uart import RS232PHYTX
from migen import Record, run_simulation

from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Trace

FRAME = FrameFormat(8, "N", 1)
TEXT = [*b"Tide 7", 0x00, 0xFF, 0x55, 0x80, 0x01]
CLOCK_S = 20e-9
"""Of the transmitter, and so the sample interval."""


@cache
def transmitted(values: tuple[int, ...], clocks_per_bit: float, pause: int) -> list[int]:
    """The level of the transmitter's output at each clock; `pause` more clocks between characters than it
    needs.
    """
    pads = Record([("tx", 1)])
    transmitter = RS232PHYTX(pads, round(2**32 / clocks_per_bit))
    levels: list[Any] = []
    sent: list[int] = []

    def sender() -> Iterator[Any]:
        for _ in range(round(15 * clocks_per_bit)):
            yield
        for value in values:
            yield transmitter.sink.data.eq(value)
            yield transmitter.sink.valid.eq(1)
            yield
            while not (yield transmitter.sink.ready):
                yield
            yield transmitter.sink.valid.eq(0)
            sent.append(value)
            for _ in range(pause + 1):
                yield

    def watcher() -> Iterator[Any]:
        after = 0
        while after < 12 * clocks_per_bit:
            levels.append((yield pads.tx))
            after += len(sent) == len(values)
            yield

    run_simulation(transmitter, [sender(), watcher()])
    return levels


def trace_of_levels(levels: Sequence[int], low: int, high: int) -> Trace:
    """The levels as codes of a converter with a little noise."""
    noise = np.random.default_rng(5).normal(0, 0.7, len(levels))
    codes = np.rint(np.where(np.array(levels) == 1, high, low) + noise).astype(np.int8)
    return Trace(codes, 0.05, 1.0, CLOCK_S, 0.0)


@pytest.mark.parametrize("blind", [False, True])
@pytest.mark.parametrize("pause", [0, 37])
@pytest.mark.parametrize("clocks_per_bit", [5.0, 8.68, 27.13, 86.8])
def test_what_an_independent_transmitter_sends_is_read(
    clocks_per_bit: float, pause: int, blind: bool
) -> None:
    """Every character, at whole and at broken numbers of samples a bit, rate and format found or given."""
    trace = trace_of_levels(transmitted(tuple(TEXT), clocks_per_bit, pause), -20, 46)
    baud = 1 / (clocks_per_bit * CLOCK_S)
    reading = read_line(trace) if blind else read_line(trace, baud=baud, frame=FRAME)
    assert reading.characters.values.tolist() == TEXT
    assert not reading.characters.errors.any()
    assert FRAME in [item.frame for item in reading.possible]
    assert reading.bit_time_s is not None
    # the long start element tilts the fit by less than a tenth of a clock
    assert abs(reading.bit_time_s.value - 1 / baud) <= 0.1 * CLOCK_S


def test_an_independent_transmitter_through_an_inverting_driver_is_read() -> None:
    """Mark low, as on an RS-232 line; found without being told."""
    trace = trace_of_levels(transmitted(tuple(TEXT), 54.25, 90), 100, -100)
    reading = read_line(trace)
    assert reading.characters.values.tolist() == TEXT
    assert reading.idle_high is False
