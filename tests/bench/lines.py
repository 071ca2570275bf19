"""Lines as benches have them: each must give the right characters; and how well the levels are found."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Trace
from tests.bench.figures import Figure
from tests.reference import Wire, gaussian, one_pole, ramp, trace_of, two_pole

FRAME = FrameFormat(8, "N", 1)
BAUD = 230400.0
TEXT = [*b"Tide 7 at Harbour Street", 0, 255, 0x55, 0x80]
Made = Callable[[np.random.Generator], Trace]


def remade(trace: Trace, volts: NDArray[np.float64]) -> Trace:
    """Another voltage through the same converter."""
    codes = np.clip(np.rint((volts - trace.volts_at_code_zero) / trace.volts_per_code), -128, 127).astype(
        np.int8
    )
    return Trace(codes, trace.volts_per_code, trace.volts_at_code_zero, trace.interval_s, trace.start_s)


def wandering(amplitude_v: float, period_s: float) -> Made:
    def make(rng: np.random.Generator) -> Trace:
        trace = trace_of(TEXT, BAUD, FRAME, Wire(noise_v=0.03, range_v=16), gaps_bits=[0, 3.7], rng=rng)
        time = np.arange(len(trace)) * trace.interval_s
        return remade(trace, trace.volts() + amplitude_v * np.sin(2 * np.pi * time / period_s))

    return make


def glitchy(count: int) -> Made:
    """That many pulses of the other level, each shorter than 0.37 bit, none near another."""

    def make(rng: np.random.Generator) -> Trace:
        trace = trace_of(TEXT, BAUD, FRAME, Wire(noise_v=0.03), rng=rng)
        codes = trace.codes.copy()
        for place in np.linspace(500, len(codes) - 500, count).astype(int) + rng.integers(-200, 200, count):
            length = rng.integers(3, 80)
            codes[place : place + length] = -codes[place : place + length]
        return Trace(codes, trace.volts_per_code, trace.volts_at_code_zero, trace.interval_s, trace.start_s)

    return make


def crossed(share: float) -> Made:
    """The other line's voltage shines through."""

    def make(rng: np.random.Generator) -> Trace:
        own = trace_of(TEXT, BAUD, FRAME, Wire(noise_v=0.03), rng=rng)
        other = trace_of(TEXT[::-1], BAUD * 1.003, FRAME, Wire(), phase=3000, rng=rng).volts()
        count = min(len(own), len(other))
        mixed = own.volts()[:count] + share * (other[:count] - 3.3)
        return remade(Trace(own.codes[:count], 0.05, 1.65, own.interval_s, own.start_s), mixed)

    return make


def plain(wire: Wire, gaps: float = 0.0) -> Made:
    return lambda rng: trace_of(TEXT, BAUD, FRAME, wire, gaps_bits=[0, gaps], rng=rng)


def few(samples: float) -> Made:
    interval = 1 / BAUD / samples
    wire = Wire(interval_s=interval, shape=gaussian(1.5 * interval), noise_v=0.05, reach_s=10 * interval)
    return plain(wire, 1.3)


def line_figures(runs: int) -> Iterator[Figure]:
    """Share of readings, nominal and blind, that give exactly the sent characters."""
    for name, make in LINES:
        for blind in (False, True):
            rng = np.random.default_rng(6)
            right = 0
            for _ in range(runs):
                trace = make(rng)
                reading = read_line(trace) if blind else read_line(trace, baud=BAUD, frame=FRAME)
                right += reading.characters.values.tolist() == TEXT and not reading.characters.errors.any()
            share = 100 * right / runs
            what = f"{name}, {'blind' if blind else 'nominal'}"
            yield Figure("lines", what, "% right", share, 100.0, at_most=False, note=f"{runs} records")


def level_figures(runs: int) -> Iterator[Figure]:
    """rms error of the state levels in codes."""
    rng = np.random.default_rng(7)
    for name, shape in (
        ("clean", ramp(20e-9)),
        ("ringing 70 %", two_pole(100e-9, 0.11)),
        ("one pole, 300 ns", one_pole(300e-9)),
    ):
        worst = 0.0
        for noise in (0.5, 1.0, 2.0):
            wire = Wire(
                shape=shape,
                reach_s=4e-6,
                noise_v=noise * 14 / 256,
                range_v=14,
                high_v=3.3 + rng.uniform(0, 0.1),
            )
            errors = []
            for _ in range(runs):
                levels = read_line(trace_of(TEXT, BAUD, FRAME, wire, rng=rng), baud=BAUD, frame=FRAME).levels
                if levels is None:
                    raise AssertionError("a clear line must have levels")
                errors += [levels.low_v - wire.low_v, levels.high_v - wire.high_v]
            worst = max(worst, float(np.sqrt(np.mean(np.square(errors)))) / (14 / 256))
        yield Figure(
            "levels",
            f"rms error, {name}",
            "codes",
            worst,
            None if "pole" in name else 0.1,
            note="worst of noise 0.5, 1, 2 codes",
        )


LINES: tuple[tuple[str, Made], ...] = (
    ("3.3 V, clean", plain(Wire(noise_v=0.03))),
    ("ringing 70 %", plain(Wire(shape=two_pole(100e-9, 0.11), reach_s=4e-6, noise_v=0.03, range_v=14))),
    ("ringing 70 %, slow", plain(Wire(shape=two_pole(600e-9, 0.11), reach_s=4e-6, noise_v=0.03, range_v=14))),
    ("edges of a third of a bit", plain(Wire(shape=one_pole(1.5e-6), reach_s=9e-6, noise_v=0.03))),
    ("clipped tops", plain(Wire(noise_v=0.03, range_v=3.0))),
    ("12 glitches", glitchy(12)),
    ("wander 1 V, 3 ms", wandering(1.0, 3e-3)),
    ("wander 3 V, 1 ms", wandering(3.0, 1e-3)),
    ("wander 1.5 V, 0.3 ms", wandering(1.5, 3e-4)),
    ("crosstalk 12 %", crossed(0.12)),
    ("1.8 V on a 40 V window", plain(Wire(high_v=1.8, noise_v=0.03, range_v=40))),
    (
        "+-7 V, idle low",
        plain(Wire(low_v=-7, high_v=7, idle_high=False, noise_v=0.1, range_v=30, shape=ramp(600e-9))),
    ),
    ("5 samples a bit", few(5)),
    ("4 samples a bit", few(4)),
)
