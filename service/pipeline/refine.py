"""Edges whose times the template fit makes as good as the noise allows (template.py)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
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
    misfit,
    phases_of,
    rise_from_area,
    shape_table,
    shifts,
    windows_at,
)
from service.pipeline.trace import Trace

MOST_EDGES = 2048
"""From so many edges the record gives the bit time to 0.02 ppm, a thousandth of what a time base is good for:
interpolated times will do, and a long record is read at full speed."""
STRIDES = (24, 12, 6, 3, 1, 1)
"""Steps of RISE_GRID in which the rise time is sought."""
UNSEEN = 1.6
"""Rise time, in samples, below which one shape cannot be told from another: a bell curve is taken."""
LEAST = round(math.log(MIN_RISE) / math.log(RISE_GRID))
UNRESOLVED = ((0.5, 0.45), (1.0, 0.2), (1.8, 0.04), (2.5, 0.0))
"""(samples an edge, error of its time in samples) where the samples do not show the shape. With none on the
edge it lies anywhere between two, 1/sqrt(12) = 0.29 (rectangular, JCGM 100 4.3.7), and where bits are nearly
whole samples long these errors run with the edge's number instead of averaging out: half as much again. With
one or two, a ramp or a one-pole edge is taken for a bell. Measured at such rates, the worst there are.
"""
FEW_SAMPLES = 2.5
"""Samples an edge from which its shape shows ..."""
DOUBTFUL_SHAPE = 0.004
"""... but for this error of an edge time, in samples, which falls off with the square of the rise time;
measured.
"""


@dataclass(frozen=True)
class Refined:
    """Edges with template times, and what the template says about them."""

    edges: Edges
    sigma_s: float
    """Expected standard deviation of one edge time."""
    rise_s: float
    """10-90 % time of the template."""
    shape: str


@dataclass(frozen=True)
class _Places:
    """The edges of one record in samples."""

    codes: NDArray[Any]
    positions: NDArray[np.float64]
    rising: NDArray[np.bool_]
    levels: tuple[float, float]

    def inside(self, half: int) -> NDArray[np.int64]:
        """Edges whose window lies within the record."""
        nearest = np.rint(self.positions)
        return np.flatnonzero((nearest >= half) & (nearest < len(self.codes) - half))

    def windows(self, some: NDArray[np.int64], half: int) -> Windows:
        places = np.rint(self.positions[some]).astype(np.int64)
        return windows_at(self.codes, places, self.rising[some], self.levels, half)


def refine_edges(
    trace: Trace, codes: NDArray[Any], levels: Levels, edges: Edges, bit_time_s: float
) -> Refined | None:
    """The edges with template times; None where there is no room for windows or nothing to gain.

    `codes` are the trace's, contiguous. Edges too near the record's ends keep their times, and so do all
    where template times would be out of order (the template does not fit).
    """
    if not 0 < len(edges) <= MOST_EDGES:
        return None
    places = _Places(
        codes,
        (edges.times_s - trace.start_s) / trace.interval_s,
        edges.rising if trace.volts_per_code > 0 else ~edges.rising,
        (levels.low_code, levels.high_code),
    )
    shape = _find_shape(places, int(bit_time_s / trace.interval_s / 2))
    if shape is None:
        return None
    times = trace.start_s + _template_positions(places, shape) * trace.interval_s
    if (times[1:] > times[:-1]).all():
        edges = Edges(times, edges.rising, edges.glitches)
    sigma = _expected_sigma(shape, levels.noise_v / levels.amplitude_v)
    return Refined(edges, sigma * trace.interval_s, shape.rise * trace.interval_s, shape.name)


def _template_positions(places: _Places, shape: Shape) -> NDArray[np.float64]:
    inside = places.inside(shape.half)
    windows = places.windows(inside, shape.half)
    positions = places.positions.copy()
    moved = positions[inside]
    for _ in range(PASSES):
        moved = shifts(windows, shape, moved)
    positions[inside] = moved
    return positions


def _expected_sigma(shape: Shape, noise_over_swing: float) -> float:
    """Standard deviation of one edge time, samples."""
    rises, errors = zip(*UNRESOLVED, strict=True)
    unresolved = float(np.interp(shape.rise, rises, errors))
    rest = DOUBTFUL_SHAPE * (FEW_SAMPLES / max(shape.rise, FEW_SAMPLES)) ** 2
    return math.hypot(noise_over_swing * shape.error, unresolved, rest)


def _find_shape(places: _Places, room: int) -> Shape | None:
    """The template that fits some of the edges best; `room` samples on each side belong to one edge."""
    half, rise = min(room, LOOK), 1.0
    for _ in range(2):
        some = _some(places, half)
        if len(some) == 0 or half < 1:
            return None
        rise = rise_from_area(places.windows(some, half), places.positions[some])
        half = min(room, math.ceil(0.8 * rise) + 1)
    some = _some(places, half)  # the window may have grown past the record's ends
    return _best_table(places.windows(some, half), places.positions[some], rise) if len(some) else None


def _some(places: _Places, half: int) -> NDArray[np.int64]:
    """Edges spread over the record whose windows lie within it."""
    inside = places.inside(half)
    return inside[:: max(len(inside) // SOME, 1)][:SOME]


def _best_table(windows: Windows, positions: NDArray[np.float64], rise: float) -> Shape:
    """Shape and rise time of least misfit, sought from the rise time that the area gave."""
    phase = phases_of(windows, positions)

    @cache
    def price(name: str, at: int) -> float:
        return misfit(windows, shape_table(name, at, windows.half), phase)

    at = round(math.log(rise) / math.log(RISE_GRID))
    names = ["bell"] if rise < UNSEEN else list(SHAPES)
    name = min(names, key=lambda name: price(name, at))
    for stride in STRIDES:
        at = min((max(at - stride, LEAST), at, at + stride), key=lambda at: price(name, at))
    name = min(names, key=lambda name: price(name, at))
    return shape_table(name, at, windows.half)
