"""Character errors in noise, with levels, timing and rate all estimated from the record."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from service.pipeline.reading import read_line
from service.pipeline.readings import FrameFormat
from service.pipeline.trace import Trace
from tests.bench.bounds import bound_db, character_error_bound
from tests.bench.figures import Figure
from tests.bench.svg import Curve, chart
from tests.reference import Wire, gaussian, trace_of

FRAME = FrameFormat(8, "N", 1)
BAUD = 230400.0
SAMPLES = (20, 50, 200)
CHARACTERS = 100
"""In one record."""
OFFSETS_DB = (0.5, 1.0, 1.5, 2.0, 2.5)
SWING_V = 3.3


def noisy_record(samples: float, ratio_db: float, rng: np.random.Generator) -> tuple[Trace, list[int]]:
    """Random characters, with random pauses or none, from a sender up to 2 % off, and what they were."""
    sent = rng.integers(0, 256, CHARACTERS).tolist()
    interval = 1 / BAUD / samples
    noise = SWING_V / 2 / 10 ** (ratio_db / 20)
    wire = Wire(
        high_v=SWING_V,
        shape=gaussian(2 * interval),
        reach_s=10 * interval,
        noise_v=noise,
        interval_s=interval,
        range_v=SWING_V + 8 * noise,
    )
    baud = BAUD * (1 + rng.uniform(-0.02, 0.02))
    gaps = rng.uniform(0, 4, 7).tolist() if rng.random() < 0.5 else 0.0
    return trace_of(sent, baud, FRAME, wire, gaps_bits=gaps, rng=rng), sent


def wrong_characters(sent: Sequence[int], read: Sequence[int]) -> int:
    """Sent characters that are not found in their order among the read ones."""
    if list(sent) == list(read):
        return 0
    blocks = difflib.SequenceMatcher(None, list(read), list(sent), autojunk=False).get_matching_blocks()
    return len(sent) - sum(block.size for block in blocks)


def error_rate(samples: float, ratio_db: float, records: int, blind: bool, rng: np.random.Generator) -> float:
    wrong = 0
    for _ in range(records):
        trace, sent = noisy_record(samples, ratio_db, rng)
        reading = read_line(trace) if blind else read_line(trace, baud=BAUD, frame=FRAME)
        wrong += wrong_characters(sent, reading.characters.values.tolist())
    return wrong / (records * CHARACTERS)


def decibels_at(points: Sequence[tuple[float, float]], rate: float) -> float:
    """Where the curve (dB, error rate) falls to a rate, between points on a logarithmic scale; NaN where it
    does not.
    """
    for (x1, y1), (x2, y2) in pairwise(points):
        if y1 > rate >= y2:
            if y2 == 0:
                return x2
            return x1 + (x2 - x1) * math.log(y1 / rate) / math.log(y1 / y2)
    return points[0][0] if points[0][1] <= rate else float("nan")


def noise_figures(records: int) -> tuple[list[Figure], str]:
    """Error rates at 6 dB, loss against the bound, agreement of both paths; and the plot."""
    rng = np.random.default_rng(3)
    figures, curves = [], []
    for colour, samples in enumerate(SAMPLES):
        for blind in (True, False):
            rate = error_rate(samples, 6.0, records, blind, rng)
            note = (
                f"{records * CHARACTERS} characters, nothing given"
                if blind
                else "nominal rate and format given"
            )
            name = f"errors at 6 dB, {samples} a bit, {'blind' if blind else 'nominal'}"
            figures.append(
                Figure("noise", name, "", rate, 1e-3, character_error_bound(samples, 10**0.3), note=note)
            )
        bound = bound_db(samples)
        points = [
            (bound + more, error_rate(samples, bound + more, records, False, rng)) for more in OFFSETS_DB
        ]
        loss = decibels_at(points, 1e-3) - bound
        note = f"bound {bound:.2f} dB, rate and levels estimated, sender up to 2 % off"
        figures.append(
            Figure("noise", f"loss to the bound at 1e-3, {samples} a bit", "dB", loss, 2.5, 0.0, note=note)
        )
        grid = [bound - 1 + 0.25 * n for n in range(20)]
        curves += [
            Curve(f"{samples} a bit", points, colour),
            Curve(
                f"{samples} a bit, bound",
                [(x, character_error_bound(samples, 10 ** (x / 20))) for x in grid],
                colour,
                True,
            ),
        ]
    plot = chart(
        "Wrong characters in noise, everything estimated",
        "half swing over noise, dB",
        "wrong characters",
        curves,
    )
    return figures, plot


def noise_only_figures(records: int) -> Iterator[Figure]:
    """Characters "found" in records that hold none."""
    rng = np.random.default_rng(4)
    found = 0
    for number in range(records):
        codes = np.clip(np.rint(rng.normal(0, (1, 4, 15, 40)[number % 4], 60_000)), -128, 127).astype(np.int8)
        trace = Trace(codes, 0.03, 1.0, 20e-9, 0.0)
        for given in ({}, {"baud": BAUD, "frame": FRAME}):
            found += len(read_line(trace, **given).characters)  # type: ignore[arg-type]
    yield Figure("noise", "characters in records of noise only", "", found, 0, note=f"{2 * records} readings")
