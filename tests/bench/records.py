"""Long records for the bench, made quickly: edges at exact places, noise from a tile."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.trace import Trace

BAUD = 230400.0
INTERVAL_S = 20e-9
SLOPE = 3
"""Samples of an edge from low to high: a rise time (10-90 %) of 48 ns."""


def contents(count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Random characters."""
    return rng.integers(0, 256, count)


def edge_places(characters: NDArray[np.int64], period_bits: float) -> NDArray[np.float64]:
    """Places of all edges of 8N1 characters, in samples; a character starts every `period_bits`."""
    bit = 1 / BAUD / INTERVAL_S
    elements = np.ones((len(characters), 11), np.int8)
    elements[:, 1] = 0
    elements[:, 2:10] = (characters[:, None] >> np.arange(8)) & 1
    stream = np.concatenate([elements, np.ones((len(characters), 1), np.int8)], axis=1)[:, :11]
    frame, element = np.nonzero(np.diff(stream, axis=1, append=1))
    return np.asarray((frame * period_bits + element) * bit + 20.37 * bit, np.float64)


def record(count: int, busy: float, kind: Any = np.int8, seed: int = 1) -> tuple[Trace, NDArray[np.int64]]:
    """A line of `count` samples that is busy that share of the time, and what was sent on it."""
    rng = np.random.default_rng(seed)
    bit = 1 / BAUD / INTERVAL_S
    period = 10 / busy
    characters = contents(max(int((count - 45 * bit) / (period * bit)), 1), rng)
    places = edge_places(characters, period)
    codes = np.full(count, 40, np.int8)
    first = np.ceil(places - SLOPE / 2).astype(np.int64)
    lengths = np.diff(first, append=count)
    codes[first[0] :] = np.repeat(np.where(np.arange(len(first)) % 2 == 0, -40, 40).astype(np.int8), lengths)
    sign = np.where(np.arange(len(first)) % 2 == 0, -1.0, 1.0)
    for step in range(SLOPE + 1):
        share = np.clip((first + step - places) / SLOPE + 0.5, 0, 1)
        codes[first + step] = np.rint(sign * (80 * share - 40)).astype(np.int8)
    tile = np.rint(rng.normal(0, 1.0, 1 << 20)).astype(np.int8)
    for start in range(0, count, len(tile)):
        part = codes[start : start + len(tile)]
        part += tile[: len(part)]
    if kind == np.uint8:
        codes = (codes.view(np.uint8) ^ np.uint8(0x80)).view(np.uint8)
    shift = 128 if kind == np.uint8 else 0
    return Trace(codes.astype(kind, copy=False), 0.04, 1.65 - 0.04 * shift, INTERVAL_S, 0.0), characters
