"""The mean rate over many characters, against made lines whose rate is known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from service.pipeline.mean_rate import mean_bit_time
from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat, LineReading
from service.pipeline.trace import Trace

BAUD = 230_400.0


def line(ppm: float, characters: int, per_bit: float, seed: int = 3) -> LineReading:
    """Characters at a rate that is `ppm` off, each begun at a moment of its own."""
    draw = np.random.default_rng(seed)
    bit_s = 1 / (BAUD * (1 + 1e-6 * ppm))
    interval_s = 1 / BAUD / per_bit
    count = int((characters * 11.5 + 40) * per_bit)
    at = np.arange(count) * interval_s
    levels = np.ones(count)
    start = 15 / BAUD
    for value in draw.integers(0, 256, characters):
        bits = [0, *((int(value) >> n) & 1 for n in range(8)), 1]
        where = np.floor((at - start) / bit_s).astype(int)
        inside = (where >= 0) & (where < len(bits))
        levels[inside] = np.array(bits)[where[inside]]
        start += (10.2 + draw.uniform(0, 0.8)) / BAUD
    noisy = 3.3 * levels + draw.normal(0, 0.01, count)
    codes = np.clip(np.round((noisy - 1.65) / (5.5 / 256)), -128, 127).astype(np.int8)
    trace = Trace(codes, 5.5 / 256, 1.65, interval_s, 0.0, -128, 127, "ch1")
    return read_line(trace, baud=BAUD, frame=FrameFormat(8, "N", 1), logic="3.3")


@pytest.mark.parametrize("ppm", [-20_000.0, -200.0, 0.0, 100.0, 20_000.0])
def test_the_mean_over_many_characters_is_right_within_its_uncertainty(ppm: float) -> None:
    """With samples a hundredth of a bit apart 100 ppm are told from none."""
    found = mean_bit_time([line(ppm, 250, 103.7)])
    assert found is not None
    off = 1e6 * (1 / (found.value * BAUD) - 1)
    u = 1e6 * found.u / found.value
    assert abs(off - ppm) < 1.5 * u
    assert u < 100


def test_the_uncertainty_is_what_the_mean_really_scatters_by() -> None:
    """Expanded, k = 2: about 95 of 100 made lines lie within it; also with 20 samples a bit."""
    for per_bit in (20.0, 23.7):
        inside = 0
        for seed in range(40):
            found = mean_bit_time([line(50.0, 60, per_bit, seed)])
            assert found is not None
            inside += abs(1e6 * (1 / (found.value * BAUD) - 1) - 50.0) <= 1e6 * found.u / found.value
        assert 34 <= inside <= 40, per_bit


def test_a_few_characters_say_nothing() -> None:
    """None rather than a guess."""
    assert mean_bit_time([line(0.0, 8, 20.0)]) is None
    assert mean_bit_time([]) is None
