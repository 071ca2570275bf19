"""The careful path: a line whose noise comes near its swing, read with everything estimated from the record.

The steps, each standing on the one before:
1. a rough bit time and format: the nominal ones, or those found on the record averaged over blocks until it
has two
   clear levels;
2. levels from averages over half a bit, as a mixture of two bell curves of known width;
3. frames by integrate and dump (integrate.py), tried at a few bit times around the rough one;
4. the bit time at which all frames together score best, the levels again from the elements now known, frames
again;
5. edges where the cumulative sum turns, and from there on the same records as on the fast path.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import median
from service.pipeline.integrate import Sums, frame_starts, scores_of, timed_starts
from service.pipeline.levels import States

LEAST_BIT = 1.0
"""Samples a bit below which there is nothing to sum."""
CLEAR = 5.0
"""Distance of the two levels, in units of the noise of half a bit, from which they are believed."""
NARROWEST = 0.03
"""Width of the bell curves on a clean line, as a share of the range: edges and glitches widen its levels."""
ODD = 2.0
"""Spread of the elements about their levels, in units of the noise, from which this is no two-level line."""
TRIAL_SAMPLES = 400_000
"""Samples on which the bit times around the rough one are tried."""
TRIAL_FRAMES = 150
"""Frames from which the bit time is refined."""
NEARBY = (-0.045, -0.03, -0.015, 0.0, 0.015, 0.03, 0.045)
"""Relative distances of the bit times that are tried: a sender may be off by that much."""


@dataclass(frozen=True, eq=False)
class Integrated:
    """Frames of a noisy line, all places in samples."""

    bit: float
    starts: NDArray[np.float64]
    elements: NDArray[np.float64]
    """Shape (frames, stop + 1): sums of the start element ... stop element about the middle, mark positive.
    """
    states: States
    sums: Sums


def integrate_line(
    codes: NDArray[np.generic], step: float, noise: float, rough_bit: float, stop: int, idle_high: bool
) -> Integrated | None:
    """Frames of the line; None where it has no two levels or no frames.

    `rough_bit` in samples, within some percent; `stop` is the number of elements before the stop element;
    `noise` and `step` are those of the codes (levels.py).
    """
    levels = mixture(codes, rough_bit, noise)
    if levels is None:
        return None
    states = States(*levels, noise, step, (0, 0))
    sums = Sums(codes, 0.5 * (states.low + states.high), idle_high)
    some = replace(sums, codes=codes[:TRIAL_SAMPLES])
    bit = max((rough_bit * (1 + move) for move in NEARBY), key=lambda bit: frame_starts(some, bit, stop)[1])
    for _ in range(2):
        starts, _gain = frame_starts(sums, bit, stop)
        if len(starts) == 0:
            return None
        bit, starts = _best_bit(sums, starts, bit, stop)
        states = _levels_of_elements(states, sums, starts, bit, stop, idle_high)
        if not states.high - states.low > 0:
            return None
        sums = Sums(codes, 0.5 * (states.low + states.high), idle_high)
    found = Integrated(bit, starts, sums.elements(starts, bit, stop + 1), states, sums)
    return found if _oddness(found, stop) < ODD else None


def rest_is_high(codes: NDArray[np.generic], noise: float, rough_bit: float, stop: int) -> bool | None:
    """Whether the line rests high (in codes): the idle level under which frames explain more of it.

    None where it has no two levels.
    """
    levels = mixture(codes, rough_bit, noise)
    if levels is None:
        return None
    explained = {}
    for idle_high in (True, False):
        sums = Sums(codes[:TRIAL_SAMPLES], 0.5 * sum(levels), idle_high)
        explained[idle_high] = frame_starts(sums, rough_bit, stop)[1] + sums.total()
    return explained[True] >= explained[False]


def _best_bit(
    sums: Sums, starts: NDArray[np.float64], bit: float, stop: int
) -> tuple[float, NDArray[np.float64]]:
    """The bit time at which the frames score best when each is placed anew, and those places."""
    some = starts[:: max(len(starts) // TRIAL_FRAMES, 1)]
    for step in (4e-3, 1e-3, 2.5e-4):
        tried = bit * (1 + step * np.arange(-4.0, 5.0))
        bit = float(tried[scores_of(sums, some, tried, stop).argmax()])
    return bit, timed_starts(sums, starts, bit, stop)[0]


def _levels_of_elements(
    states: States, sums: Sums, starts: NDArray[np.float64], bit: float, stop: int, idle_high: bool
) -> States:
    """Levels from the middle halves of all elements, now that it is known what each one is."""
    centres, middle = sums.centres(starts, bit, stop + 1), 0.5 * (states.low + states.high)
    mark, space = centres[centres > 0], centres[centres <= 0]
    if len(mark) == 0 or len(space) == 0:
        return states
    level = {True: float(mark.mean()), False: float(space.mean())}
    sign = 1.0 if idle_high else -1.0
    counts = tuple(int(len(part) * bit / 2) for part in ((space, mark) if idle_high else (mark, space)))
    low, high = (middle + sign * level[is_mark] for is_mark in (not idle_high, idle_high))
    return replace(states, low=low, high=high, counts=(counts[0], counts[1]))


def _oddness(found: Integrated, stop: int) -> float:
    """Spread of the elements' middles about their level, in units of what noise alone would give."""
    centres = np.abs(found.sums.centres(found.starts, found.bit, stop + 1))
    sigma = max(found.states.noise, found.states.step / 12**0.5) / (0.5 * found.bit) ** 0.5
    # an edge that reaches into the middle of an element is not noise
    usual = median(centres.ravel())
    spread = 1.4826 * median(np.abs(centres - usual).ravel())
    return spread / float(sigma + 0.05 * usual)


def mixture(codes: NDArray[np.generic], bit: float, noise: float) -> tuple[float, float] | None:
    """Low and high level from averages over half a bit; None where they are not two.

    Expectation-maximisation on a histogram, both bells as wide as the noise makes them.
    """
    if not LEAST_BIT <= bit <= len(codes):
        return None
    width = max(int(bit / 2), 1)
    blocks = codes[: len(codes) // width * width].reshape(-1, width).mean(axis=1, dtype=np.float64)
    if len(blocks) < 8:
        return None
    sigma = max(noise / width**0.5, NARROWEST * float(np.ptp(blocks)), 1e-9)
    counts, borders = np.histogram(blocks, bins=200)
    centres = 0.5 * (borders[1:] + borders[:-1])
    low, high = float(blocks.min()), float(blocks.max())
    share = 0.5
    for _ in range(60):
        a = (1 - share) * np.exp(-0.5 * ((centres - low) / sigma) ** 2) + 1e-300
        b = share * np.exp(-0.5 * ((centres - high) / sigma) ** 2) + 1e-300
        upper = counts * b / (a + b)
        lower = counts - upper
        if min(upper.sum(), lower.sum()) < 2:
            return None
        low, high = float(np.dot(lower, centres) / lower.sum()), float(np.dot(upper, centres) / upper.sum())
        share = float(upper.sum() / counts.sum())
    return (low, high) if high - low > CLEAR * sigma else None
