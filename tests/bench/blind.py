"""Rate and format when nothing is given."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from tests.bench.figures import Figure
from tests.reference import Wire, gaussian, trace_of

USUAL = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000, 921600)
FORMATS = ("8N1", "7E1", "8E1", "8O1", "8N2", "7N1", "9N1")
RIGHT_WITHIN = 2e-3


def blind_figures(runs: int) -> Iterator[Figure]:
    """Share of runs in which the rate is right, for usual (2 % off) and odd rates; the format from more
    characters.
    """
    rng = np.random.default_rng(5)
    for characters in (1, 4, 16, 64):
        for odd in (False, True):
            right, formats, listed = blind_runs(characters, odd, runs, rng)
            kind = "any rate" if odd else "usual rates, 2 % off"
            goal = 99.0 if characters >= 4 else None
            name = f"rate right, {characters} varied characters, {kind}"
            yield Figure("blind", name, "%", right, goal, at_most=False, note=f"{runs} runs")
            name = f"true format listed / chosen, {characters} characters, {kind}"
            yield Figure("blind", name, "%", listed, note=f"chosen in {formats:.1f} %")


def blind_runs(characters: int, odd: bool, runs: int, rng: np.random.Generator) -> tuple[float, float, float]:
    """Percent of runs with the right rate, with the true format chosen, and with it listed."""
    right = chosen = listed = 0
    for _ in range(runs):
        baud = float(np.exp(rng.uniform(np.log(1000), np.log(1e6)))) if odd else float(rng.choice(USUAL))
        baud *= 1 + rng.uniform(-0.02, 0.02)
        frame = FrameFormat.parse(str(rng.choice(FORMATS)))
        interval = 1 / baud / rng.uniform(12, 80)
        wire = Wire(noise_v=0.05, interval_s=interval, shape=gaussian(1.5 * interval), reach_s=20 * interval)
        sent = rng.choice(1 << frame.data_bits, characters, replace=False).tolist()
        gaps = rng.choice([0.0, 0.0, 1.37, 22.2], 4).tolist()
        reading = read_line(trace_of(sent, baud, frame, wire, gaps_bits=gaps, phase=rng.uniform(), rng=rng))
        value = reading.bit_time_s
        right += value is not None and abs(value.value * baud - 1) < max(RIGHT_WITHIN, 3 * value.u * baud)
        chosen += reading.frame == frame
        listed += frame in [item.frame for item in reading.possible]
    return 100 * right / runs, 100 * chosen / runs, 100 * listed / runs
