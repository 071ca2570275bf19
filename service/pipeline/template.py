"""Edge times as good as the noise allows: a template fitted to all samples of each edge.

Theory of operation
A straight line between the two samples around the middle uses two samples of an edge; the others know its
place as well. With the shape g of the edge known, the best estimate of its time is the matched one,
    t = t0 + sum g'(y - g) / sum g'^2,      s_e = noise / sqrt(sum v'^2)   (Cramer-Rao bound for white noise).
The shape is chosen among a few that edges have in practice (one dominant pole; many small ones; a slope
limit), with the rise time that the area between the edge and an ideal step gives: 0.313 times the 10-90 %
time for all of them. A shape that is not quite right moves all edges alike, and a common shift is no error of
a bit time. Rising and falling edges are taken as mirror images.

Shapes are tabled at 1/PHASES of a sample, so that an edge costs two rows of a table and no formula.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from service.pipeline.sampling import windows_of

PHASES = 32
AREA = 0.313
"""Area between edge and ideal step over swing and 10-90 % time: ramp 0.3125, bell 0.311, one pole 0.315."""
LOOK = 24
"""Widest half window, samples, for the first look at the rise time."""
SOME = 64
"""Edges looked at to find the shape."""
PASSES = 2
SECANT = 0.1
"""Samples to both sides over which the slope is taken: an edge with a kink is steeper than any tangent there.
"""
RISE_GRID = 1.02
"""Rise times are rounded to powers of this: a table serves all edges like it."""
MIN_RISE, MAX_RISE = 0.5, 40.0


@dataclass(frozen=True, eq=False)
class Windows:
    """Samples around edges, scaled so that each edge goes from 0 to 1."""

    samples: NDArray[np.float32]
    """Shape (edges, 2 * half + 1)."""
    first: NDArray[np.int64]
    """Index in the record of each edge's first sample."""
    half: int


@dataclass(frozen=True, eq=False)
class Shape:
    """A template: its name, rise time in samples, and tables by phase; `error` is the standard deviation, in
    samples, of an edge time per unit of (noise over swing)."""

    name: str
    rise: float
    half: int
    values: NDArray[np.float32]
    """Shape (phases, window): the edge where it lies `phase / PHASES - 1` samples after the window's middle.
    """
    weights: NDArray[np.float32]
    """Shape (phases, window): g' / sum g'^2, sign such that later edges are positive."""
    power: NDArray[np.float32]
    """Shape (phases,): sum g'^2."""
    error: float


def windows_at(
    codes: NDArray[np.generic],
    places: NDArray[np.int64],
    rising: NDArray[np.bool_],
    levels: tuple[float, float],
    half: int,
) -> Windows:
    """Scaled samples around `places` (index of the middle sample); all must lie inside the record."""
    first = places - half
    raw = windows_of(codes, 2 * half + 1)[first].astype(np.float32)
    low, high = levels
    start = np.where(rising, low, high).astype(np.float32)
    raw -= start[:, None]
    raw *= np.where(rising, 1.0, -1.0).astype(np.float32)[:, None] / np.float32(high - low)
    return Windows(raw, first, half)


def rise_from_area(windows: Windows, positions: NDArray[np.float64]) -> float:
    """10-90 % time in samples, averaged over the edges; noise cancels, it is not rectified."""
    samples = windows.samples
    after = (np.arange(samples.shape[1]) >= (positions - windows.first)[:, None]).astype(np.float32)
    # samples before the edge count as they are, those after it by what they lack
    area = float(samples.sum()) + float(after.sum()) - 2 * float(np.vdot(after, samples))
    return min(max(area / len(positions) / AREA, MIN_RISE), MAX_RISE)


@lru_cache(maxsize=512)
def shape_table(name: str, step: int, half: int) -> Shape:
    """Tables of a named shape with rise time RISE_GRID**step samples."""
    rise = RISE_GRID**step
    phases = np.arange(3 * PHASES + 1) / PHASES - 1
    since = np.arange(-half, half + 1) - phases[:, None]
    shape = SHAPES[name]
    values = shape(since / rise)
    slopes = (shape((since + SECANT) / rise) - shape((since - SECANT) / rise)) / (2 * SECANT)
    power = np.maximum((slopes**2).sum(axis=1), 1e-6)
    error = float(np.mean(1 / power[PHASES : 2 * PHASES])) ** 0.5
    weights = -slopes / power[:, None]
    return Shape(
        name,
        rise,
        half,
        values.astype(np.float32),
        weights.astype(np.float32),
        power.astype(np.float32),
        error,
    )


def phases_of(windows: Windows, positions: NDArray[np.float64]) -> NDArray[np.int64]:
    """Row of the tables for each edge at its position."""
    places = (positions - (windows.first + windows.half - 1)) * PHASES
    np.rint(places, out=places)
    np.maximum(places, 0, out=places)
    return np.minimum(places, 3 * PHASES, out=places).astype(np.int64)


def shifts(windows: Windows, shape: Shape, positions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Corrected positions of the edges in the windows."""
    phase = phases_of(windows, positions)
    moved = np.vecdot(windows.samples - shape.values[phase], shape.weights[phase])
    corrected: NDArray[np.float64] = windows.first + (windows.half - 1) + phase / PHASES
    corrected += np.minimum(np.maximum(moved, -0.75), 0.75)
    return corrected


def misfits(windows: Windows, shapes: tuple[tuple[str, int], ...], phase: NDArray[np.int64]) -> list[float]:
    """For each shape (name, step) the sum of squares that is left when each edge is moved to its best place
    near its phase; several shapes at once cost little more than one.
    """
    width = windows.samples.shape[1]
    at = _stacked(shapes, windows.half).take(phase, axis=1)
    residuals = windows.samples - at[..., :width]
    moved = np.vecdot(residuals, at[..., width:-1])
    moved *= moved
    residuals = residuals.reshape(len(shapes), -1)
    left: list[float] = (np.vecdot(residuals, residuals) - np.vecdot(moved, at[..., -1])).tolist()
    return left


@lru_cache(maxsize=128)
def _stacked(shapes: tuple[tuple[str, int], ...], half: int) -> NDArray[np.float32]:
    """Tables of several shapes one above the other: values, weights and power by shape and phase."""
    tables = [shape_table(name, step, half) for name, step in shapes]
    return np.stack(
        [np.concatenate([table.values, table.weights, table.power[:, None]], axis=1) for table in tables]
    )


def _bell(t: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.interp(t, _GRID, _BELL)


def _ramp(t: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.clip(0.8 * t + 0.5, 0, 1)


def _pole(t: NDArray[np.float64]) -> NDArray[np.float64]:
    settled: NDArray[np.float64] = 1 - np.exp(-np.maximum(np.log(9) * t + np.log(2), 0))
    return settled


_GRID = np.linspace(-2.5, 2.5, 1001)
_DENSITY = np.exp(-0.5 * (2.5631031310892007 * _GRID) ** 2)
_BELL = np.cumsum(_DENSITY) - 0.5 * _DENSITY
_BELL /= _BELL[-1] + 0.5 * _DENSITY[-1]

SHAPES: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
    "bell": _bell,
    "ramp": _ramp,
    "pole": _pole,
}
"""Share of the swing over time since the middle in units of the 10-90 % time."""
