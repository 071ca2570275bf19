"""Edges whose times the template fit makes as good as the noise allows (template.py)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.pipeline.readings import Edges, Levels
from service.pipeline.template import (
    LOOK,
    MIN_RISE,
    PASSES,
    RISE_GRID,
    SHAPES,
    SOME,
    Shape,
    Windows,
    misfits,
    phases_of,
    rise_from_area,
    shape_table,
    shifts,
    windows_at,
)
from service.pipeline.trace import Trace

MOST_EDGES = 2048
"""From so many edges the record gives the bit time to 0.02 ppm, a thousandth of what a time base is good for:
interpolated times will do, and a long record is read at full speed. Only where the samples do not show the
edges is that told."""
STRIDES = ((24, 12), (6, 3), (1, 1))
"""Steps of RISE_GRID in which the rise time is sought, two at a time."""
UNSEEN = 1.6
"""Rise time, in samples, below which one shape cannot be told from another: a bell curve is taken."""
LEAST = round(math.log(MIN_RISE) / math.log(RISE_GRID))
UNRESOLVED = ((0.5, 0.5), (0.7, 0.37), (0.9, 0.31), (1.3, 0.24), (1.75, 0.11), (2.1, 0.03), (2.5, 0.0))
"""(samples an edge, greatest error of its time in samples) where the samples do not show the shape. With none
on the edge it lies anywhere between two; with one or two, a ramp or a one-pole edge is taken for a bell. The
error goes with the edge's place among the samples, and does not average out where bits are nearly whole
samples long. Measured over shapes, rise times, places and rates (tests/bench/unresolved.py), the worst.
"""
HIDDEN = 0.55
"""Samples an edge below which hardly a sample lies on one."""
FEW_SAMPLES = 2.5
"""Samples an edge from which its shape shows ..."""
DOUBTFUL_SHAPE = 0.005
"""... but for this error of an edge time, in samples, which falls off with the square of the rise time;
measured.
"""


@dataclass(frozen=True, eq=False)
class Refined:
    """Edges with template times, and what the template says about them."""

    edges: Edges
    sigma_s: float
    """Expected standard deviation of one edge time."""
    bound_s: float
    """Greatest error beside it, where the samples do not show the edges (UNRESOLVED); else 0."""
    rise_s: float
    """10-90 % time of the template."""
    shape: str


@dataclass(frozen=True, eq=False)
class _Places:
    """The edges of one record in samples."""

    codes: NDArray[Any]
    positions: NDArray[np.float64]
    rising: NDArray[np.bool_]
    levels: tuple[float, float]

    def inside(self, half: int) -> range:
        """Edges whose window lies within the record: all but some at its ends."""
        first, stop = 0, len(self.positions)
        while first < stop and round(self.positions[first]) < half:
            first += 1
        while stop > first and round(self.positions[stop - 1]) >= len(self.codes) - half:
            stop -= 1
        return range(first, stop)

    def windows(self, some: slice, half: int) -> Windows:
        places = np.rint(self.positions[some]).astype(np.int64)
        return windows_at(self.codes, places, self.rising[some], self.levels, half)


def refine_edges(
    trace: Trace, codes: NDArray[Any], levels: Levels, edges: Edges, bit_time_s: float
) -> Refined | None:
    """The edges with template times; None where there is no room for windows or nothing to gain or to tell.

    `codes` are the trace's, contiguous. Edges too near the record's ends keep their times, and so do all
    where template times would be out of order (the template does not fit).
    """
    if len(edges) == 0:
        return None
    places = _Places(
        codes,
        (edges.times_s - trace.start_s) / trace.interval_s,
        edges.rising if trace.volts_per_code > 0 else ~edges.rising,
        (levels.low_code, levels.high_code),
    )
    room, many = int(bit_time_s / trace.interval_s / 2), len(edges) > MOST_EDGES
    shape = _bell(places, room) if many else _find_shape(places, room)
    if shape is None:
        return None
    noise = levels.noise_v / levels.amplitude_v
    bound = _greatest_error(shape) * trace.interval_s
    if many or shape.rise < HIDDEN:
        # a straight line between two samples is as good, and moves less with their noise
        sigma = max(shape.rise, 1.0) * noise * trace.interval_s
        return Refined(edges, sigma, bound, shape.rise * trace.interval_s, shape.name) if bound > 0 else None
    sigma = _expected_sigma(shape, noise) * trace.interval_s
    times = trace.start_s + _template_positions(places, shape) * trace.interval_s
    if (times[1:] > times[:-1]).all():
        edges = Edges(times, edges.rising, edges.glitches)
    return Refined(edges, sigma, bound, shape.rise * trace.interval_s, shape.name)


def _template_positions(places: _Places, shape: Shape) -> NDArray[np.float64]:
    seen = places.inside(shape.half)
    inside = slice(seen.start, seen.stop)
    windows = places.windows(inside, shape.half)
    positions = places.positions.copy()
    moved = positions[inside]
    for _ in range(PASSES):
        moved = shifts(windows, shape, moved)
    positions[inside] = moved
    return positions


def _expected_sigma(shape: Shape, noise_over_swing: float) -> float:
    """Standard deviation of one edge time, samples."""
    rest = DOUBTFUL_SHAPE * (FEW_SAMPLES / max(shape.rise, FEW_SAMPLES)) ** 2
    return math.hypot(noise_over_swing * shape.error, rest)


def _greatest_error(shape: Shape) -> float:
    """Of an edge time, samples, beside noise, where the samples do not show the edge."""
    for (rise, error), (next_rise, next_error) in pairwise(UNRESOLVED):
        if shape.rise < next_rise:
            share = max((shape.rise - rise) / (next_rise - rise), 0.0)
            return error + share * (next_error - error)
    return UNRESOLVED[-1][1]


def _rise(places: _Places, room: int) -> tuple[float, int] | None:
    """Rise time of some of the edges and half the window that shows them, in samples."""
    half, rise = min(room, LOOK), 1.0
    for _ in range(2):
        some = _some(places, half)
        if some.start >= some.stop or half < 1:
            return None
        rise = rise_from_area(places.windows(some, half), places.positions[some])
        half = min(room, math.ceil(0.8 * rise) + 1)
    return rise, half


def _bell(places: _Places, room: int) -> Shape | None:
    """A template of about the right rise time."""
    found = _rise(places, room)
    return (
        None
        if found is None
        else shape_table("bell", round(math.log(found[0]) / math.log(RISE_GRID)), found[1])
    )


def _find_shape(places: _Places, room: int) -> Shape | None:
    """The template that fits some of the edges best; `room` samples on each side belong to one edge."""
    found = _rise(places, room)
    if found is None:
        return None
    rise, half = found
    some = _some(places, half)  # the window may have grown past the record's ends
    if some.start >= some.stop:
        return None
    return _best_table(places.windows(some, half), places.positions[some], rise)


def _some(places: _Places, half: int) -> slice:
    """Edges spread over the record whose windows lie within it."""
    inside = places.inside(half)
    some = inside[:: max(len(inside) // SOME, 1)][:SOME]
    return slice(some.start, some.stop, some.step)


def _best_table(windows: Windows, positions: NDArray[np.float64], rise: float) -> Shape:
    """Shape and rise time of least misfit, sought from the rise time that the area gave."""
    phase = phases_of(windows, positions)
    prices: dict[tuple[str, int], float] = {}

    def ask(shapes: Iterable[tuple[str, int]]) -> None:
        fresh = tuple(sorted({shape for shape in shapes if shape not in prices}))
        if fresh:
            prices.update(zip(fresh, misfits(windows, fresh, phase), strict=True))

    def best(shapes: Sequence[tuple[str, int]]) -> tuple[str, int]:
        ask(shapes)
        return min(shapes, key=prices.__getitem__)

    at = round(math.log(rise) / math.log(RISE_GRID))
    names = ["bell"] if rise < UNSEEN else list(SHAPES)
    name, at = best([(name, at) for name in names])
    for strides in STRIDES:
        # wherever the larger stride leads, what the smaller one will ask for is priced with it
        reach = {0, *strides, strides[0] + strides[1], strides[0] - strides[1]}
        ask([(name, max(at + side * step, LEAST)) for step in reach for side in (-1, 1)])
        for stride in strides:
            name, at = best([(name, max(at - stride, LEAST)), (name, at), (name, at + stride)])
    name, at = best([(name, at) for name in names])
    return shape_table(name, at, windows.half)
