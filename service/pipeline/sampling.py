"""A small, fair sample of a long record, taken as short runs of neighbouring codes.

A record of 1e8 codes need not be read twice to know its levels: some hundred cache lines, spread over it with
the golden ratio (no period of the signal can beat against it), show the same histogram. Runs of neighbours,
rather than single codes, keep the noise visible as the difference of one sample from the next.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import distinct

RUN = 64
"""Samples of one run: one cache line of 8-bit codes."""
RUNS = 256
ROW = 2048
GOLDEN = 0.6180339887498949
FEWEST_STEPS = 16
"""Steps between the outermost codes that make a grid: a made-up line of exactly two values shows none."""


def contiguous_codes(codes: NDArray[Any]) -> NDArray[Any]:
    """The same codes in native byte order, side by side in memory, no narrower float than 32 bits.

    Copies only what is not so already.
    """
    kind = codes.dtype.newbyteorder("=")
    if kind == np.float16:
        kind = np.dtype(np.float32)
    plain: NDArray[Any] = np.ascontiguousarray(codes, dtype=kind)
    return plain


def spread_runs(codes: NDArray[Any], runs: int = RUNS) -> NDArray[Any]:
    """Shape (runs, RUN) where the record is long enough, else all whole runs of it (at least a short one)."""
    count = len(codes)
    if count < 2 * RUN * runs:
        width = min(RUN, count)
        return codes[: count - count % width].reshape(-1, width) if count else codes.reshape(0, RUN)
    places = (np.arange(runs) * GOLDEN % 1.0 * (count - RUN)).astype(np.int64)
    return runs_at(codes, places)


def runs_at(codes: NDArray[Any], places: NDArray[np.int64], width: int = RUN) -> NDArray[Any]:
    """Shape (places, width): the codes from each place on; places near the end are drawn back into the
    record.
    """
    width = min(width, len(codes))
    return windows_of(codes, width)[np.minimum(np.maximum(places, 0), len(codes) - width)]


def spread_over(places: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """At most so many of the places, the first and the last among them, evenly spread."""
    if len(places) <= most:
        return places
    return places[np.linspace(0, len(places) - 1, most).astype(np.int64)]


def windows_of(codes: NDArray[Any], width: int) -> NDArray[Any]:
    """A view of contiguous codes, shape (codes - width + 1, width): row i begins at code i. To be read only.

    Rows picked from it are copied as rows; an index for each sample costs several times as much.
    """
    if len(codes) < width:
        raise ValueError(f"no {width} codes in a record of {len(codes)}")
    step = codes.itemsize
    return np.ndarray((len(codes) - width + 1, width), codes.dtype, codes, 0, (step, step))


def bytewise(codes: NDArray[Any]) -> bool:
    """Whether these are integers of one byte, which can be counted without looking at them twice."""
    return codes.dtype.kind in "iu" and codes.dtype.itemsize == 1


def code_step(runs: NDArray[Any]) -> float:
    """The smallest step that the codes make: 1 for plain integers, 256 for 8-bit codes sent as 16, ...

    Floats that came from a text file keep the grid of the converter behind them; where no grid shows,
    1/1024 of the range.
    """
    if runs.size == 0 or bytewise(runs):
        return 1.0
    some = runs.ravel()[:: max(runs.size // 4096, 1)]
    if runs.dtype.kind in "iu":
        step = int(np.gcd.reduce(some.astype(np.int64) - int(some[0])))
        return float(step) if 0 < FEWEST_STEPS * step <= int(np.ptp(some.astype(np.int64))) else 1.0
    return _float_step(distinct(some.astype(np.float64)))


def _float_step(values: NDArray[np.float64]) -> float:
    span = float(values[-1] - values[0])
    if span == 0:
        return 1.0
    gaps = np.diff(values)
    gaps = gaps[gaps > 1e-6 * span]
    grid = float(gaps.min())
    return grid if len(gaps) < 1024 and span / 1024 < grid <= span / FEWEST_STEPS else span / 1024


def excursions(codes: NDArray[Any], low: float, high: float, most: int = 256) -> NDArray[np.int64]:
    """Indices of samples outside low..high: the first ones of at most `most` rows, spread over the record."""
    rows = codes[: len(codes) // ROW * ROW].reshape(-1, ROW)
    outside = np.flatnonzero(
        (rows.min(axis=1, initial=codes[0]) < low) | (rows.max(axis=1, initial=codes[0]) > high)
    )
    chosen = spread_over(outside, most)
    beyond = (rows[chosen] < low) | (rows[chosen] > high)
    found = chosen * ROW + beyond.argmax(axis=1)
    tail = codes[len(rows) * ROW :]
    late = np.flatnonzero((tail < low) | (tail > high))[:1] + len(rows) * ROW
    return np.concatenate([found, late])
