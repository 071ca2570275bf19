"""Records and expectations made of bytes, as no bench would give them and as most would."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from service.pipeline.expectation import LOGIC_FAMILIES, Expectation
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Shot, Trace
from tests.fuzz.choices import Choices
from tests.reference import elements

MOST_SAMPLES = 12_000
FRAMES = [None, *(FrameFormat.parse(f) for f in ("8N1", "7E1", "8O2", "5N1.5", "9N1", "8M1", "6S2"))]
BAUDS = (None, None, 230400.0, 9600.0, 1e6, 50.0, 4e6, 31250.0, 123456.0)
INTERVALS = (20e-9, 1e-6, 1e-7, 4e-9, 5e-5, 1e-3)
KINDS = (np.int8, np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64)
SCALES = (0.04, -0.04, 1e-3, 1.0, 40.0, -1e-9)


def shot_of(choices: Choices) -> tuple[Shot, Expectation]:
    """Both lines of a shot, and what is expected of them."""
    expectation = Expectation(
        baud=choices.one(BAUDS),
        frame=choices.one(FRAMES),
        logic=choices.one((None, *LOGIC_FAMILIES)),
        sent=choices.one((None, b"", b"Tide 7", bytes(range(64)))),
    )
    interval, start = choices.one(INTERVALS), choices.one((0.0, -1e-4, 12.5, -3e3))
    first = trace_of(choices, interval, start)
    second = first if choices.number(16) == 0 else trace_of(choices, interval, start)
    return Shot(first, second, choices.one((None, b"Tide 7"))), expectation


def trace_of(choices: Choices, interval_s: float, start_s: float) -> Trace:
    """One line: noise, steps of any length, or characters, in any type of code."""
    kind, scale = choices.one(KINDS), choices.one(SCALES)
    make = choices.one((raw_codes, stepped_codes, character_codes, character_codes))
    codes = make(choices)[:MOST_SAMPLES].astype(np.float64)
    codes += noise_of(choices, len(codes))
    if np.dtype(kind).kind in "iu":
        info = np.iinfo(np.dtype(kind).name)
        if info.min == 0:
            codes += 128
        codes = np.clip(np.rint(codes), info.min, info.max)
    ends = (-128, 127) if choices.number(2) and kind == np.int8 else (None, None)
    return Trace(codes.astype(kind), scale, choices.one((0.0, 1.65, -12.0)), interval_s, start_s, *ends)


def noise_of(choices: Choices, count: int) -> NDArray[np.float64]:
    sigma = choices.one((0.0, 0.0, 1.0, 10.0, 40.0))
    return np.random.default_rng(choices.number(256)).normal(0, sigma, count) if sigma else np.zeros(count)


def raw_codes(choices: Choices) -> NDArray[np.int8]:
    """The bytes themselves."""
    return np.frombuffer(choices.some(choices.number(4096)), np.int8)


def stepped_codes(choices: Choices) -> NDArray[np.int8]:
    """Levels held for a while each: 2 bytes a step."""
    pairs = np.frombuffer(choices.some(2 * choices.number(256)), np.uint8)
    levels, holds = pairs[: len(pairs) // 2 * 2].reshape(-1, 2).T if len(pairs) > 1 else (pairs, pairs)
    return levels.view(np.int8).repeat(1 + holds.astype(np.int64))


def character_codes(choices: Choices) -> NDArray[np.int8]:
    """A sender's line: any format, samples a bit, pauses, levels, now and then a wrong bit."""
    per_bit = choices.one((20.0, 5.0, 43.4, 8.68, 2.6, 1.3, 217.0, 100.0))
    frame = choices.one(FRAMES[1:]) or FRAMES[1]
    assert frame is not None
    mark, space = choices.one(((40, -40), (-100, 100), (3, 0), (127, -128), (20, 19)))
    pause, wrong = choices.one((0.0, 1.0, 0.37, 22.0)), choices.number(256)
    levels = [1] * choices.one((0, 1, 15, 40))
    times = [1.0] * len(levels)
    for value in choices.some(choices.number(48)):
        bits = elements(value % (1 << frame.data_bits), frame)
        levels += [*bits, 1]
        times += [1.0] * len(bits) + [frame.stop_bits + pause]
    if levels and wrong < 128:
        levels[wrong % len(levels)] ^= 1
    ends = np.rint(np.cumsum(times) * per_bit).astype(np.int64) if times else np.zeros(0, np.int64)
    lengths = np.diff(ends, prepend=0)
    codes = np.where(np.array(levels, np.int8) == 1, mark, space).astype(np.int8)
    cut = choices.number(max(math.ceil(2 * per_bit), 1))
    return codes.repeat(lengths)[cut:]
