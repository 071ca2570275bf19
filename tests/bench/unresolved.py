"""How often the stated 95 % interval holds the bit time where the samples do not show the edges.

Such errors do not average out: where a bit is nearly a whole number of samples, all edges of a burst lie
alike among the samples. So the rates here are drawn near such numbers, and at them.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np

from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from tests.bench.figures import Figure
from tests.reference import Shape, Wire, gaussian, one_pole, ramp, trace_of

FRAME = FrameFormat(8, "N", 1)
BAUD = 230400.0
SWING_V, RANGE_V = 3.3, 8.0
SHAPES = {"ramp": ramp, "pole": one_pole, "bell": gaussian}
SAMPLES_AN_EDGE = (0.0, 0.3, 0.5, 1.0, 1.5, 2.0)
RATIOS_DB = (None, 40.0, 20.0)
LONG = b"Tide 7, Harbour Street: low water 04:17, high water 10:32. Mind."
PAYLOADS = {
    "0x55": b"\x55",
    "0x00": b"\x00",
    "0xFF": b"\xff",
    "6 characters": b"Tide 7",
    "64 characters": LONG,
}
PER_BIT = (20, 43)
PARTS = (None, 0.0, 0.002, 0.05)
"""What a bit has beyond a whole number of samples; None = drawn anew for each record from -0.5 to 0.5."""
GOAL = 93.0


def shape_of(name: str, samples: float, interval_s: float) -> Shape:
    """An edge whose 10-90 % time is that many samples."""
    return SHAPES[name](max(samples, 1e-6) * interval_s)


def holds(
    name: str, samples: float, ratio_db: float | None, payload: str, per_bit: float, rng: np.random.Generator
) -> bool:
    """Whether the interval of one record holds the true bit time."""
    interval = 1 / BAUD / per_bit
    wire = Wire(
        high_v=SWING_V,
        range_v=RANGE_V,
        interval_s=interval,
        shape=shape_of(name, samples, interval),
        noise_v=0.0 if ratio_db is None else SWING_V / 2 / 10 ** (ratio_db / 20),
        reach_s=(2 + 4 * samples) * interval,
    )
    trace = trace_of(PAYLOADS[payload], BAUD, FRAME, wire, tail_bits=4, phase=rng.uniform(), rng=rng)
    value = read_line(trace, baud=BAUD, frame=FRAME).bit_time_s
    if value is None:
        raise AssertionError("a clear line must have a bit time")
    return abs(value.value - 1 / BAUD) <= value.u_record


def unresolved_figures(runs: int) -> Iterator[Figure]:
    """Coverage over payloads and noise at the worst kind of rate, for each shape and number of samples an
    edge.
    """
    rng = np.random.default_rng(9)
    for samples in SAMPLES_AN_EDGE:
        for name in SHAPES if samples else ("ramp",):
            shares = {part: _coverage(name, samples, part, runs, rng) for part in PARTS}
            worst = min(PARTS, key=lambda part: shares[part])
            where = "any rate" if worst is None else f"a whole number + {worst:g} samples a bit"
            what = f"coverage, {name} of {samples:g} samples" if samples else "coverage, ideal steps"
            yield Figure("bit time", what, "%", shares[worst], GOAL, at_most=False, note=f"worst at {where}")


def _coverage(name: str, samples: float, part: float | None, runs: int, rng: np.random.Generator) -> float:
    """Percent of the records of all payloads and noises."""
    cases = list(product(PAYLOADS, RATIOS_DB, PER_BIT)) * runs
    held = 0
    for payload, ratio, per_bit in cases:
        beyond = rng.uniform(-0.5, 0.5) if part is None else part
        held += holds(name, samples, ratio, payload, per_bit + beyond, rng)
    return 100 * held / len(cases)
