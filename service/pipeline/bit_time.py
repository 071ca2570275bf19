"""The bit time of a line from its edges, with an uncertainty that means what it says.

Theory of operation
Inside one frame edge i lies at t0 + k_i T with a whole number k_i; nothing ties one frame to the next, the
pause between them is the sender's. So T is the common slope of as many short lines as there are frames
(line_fit.py), never a line across pauses. With edge noise s the variance of T is s^2 / sum (k - mean k)^2,
the Cramer-Rao bound when s is that of the best possible edge estimate (template.py gives nearly that).

s is known from two sides: from the residuals of the fit and, beforehand, from the noise and the slope of the
edges. With two edges a frame and one frame there are no residuals at all. Both are pooled, the prediction
counting as much as PRIOR residuals; the rest is left to Student's t.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from service.pipeline.arrays import lengths
from service.pipeline.characters import Frames
from service.pipeline.line_fit import SharedSlope, fit_shared_slope, inner
from service.pipeline.readings import BREAK, CUT, FRAMING, Characters, LineReading, Value
from service.pipeline.uncertainty import combined, pooled

SOME = 512
"""Residuals that their median is taken of, about."""
ODD = 12.0
"""Residuals beyond so many times their median (eight standard deviations) are not noise ..."""
ODD_BITS = 0.01
"""... unless they are below this, in bit times."""
MOST_FRAMES = 128
SURELY = 4.0
"""Standard deviations within which all edges of a record lie."""
PRIOR = 30.0
"""Degrees of freedom that the predicted edge noise counts for."""


def student_95(freedom: float) -> float:
    """Two-sided 95 % factor of Student's t: Cornish-Fisher expansion, within 0.3 % from 3 degrees on."""
    z, n = 1.959963985, max(freedom, 1.0)
    return (
        z
        + (z**3 + z) / (4 * n)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * n**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * n**3)
        + (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / (92160 * n**4)
    )


def fit_frames(
    times: NDArray[np.float64], frames: Frames, usable: NDArray[np.bool_], stop: int
) -> SharedSlope | None:
    """The shared slope of the usable frames (of all, where they give none); None without an answer.

    `times` are the edges from the first start on, `stop` the number of the boundary before the stop element.
    Frames with an edge far off the others' scatter (a glitch has met it) are left out.
    """
    fit = _fit(times, frames, usable, stop)
    if fit is None:
        usable = np.ones(len(frames.starts), np.bool_)
        fit = _fit(times, frames, usable, stop)
    for _ in range(2):
        odd = None if fit is None else _odd_frames(fit)
        if odd is None:
            return fit
        usable = usable.copy()
        usable[np.flatnonzero(usable)[odd]] = False
        better = _fit(times, frames, usable, stop)
        if better is None:
            return fit
        fit = better
    return fit


def _odd_frames(fit: SharedSlope) -> NDArray[np.int64] | None:
    """Frames of the fit with a residual that noise does not explain, at most half of them; None without."""
    size = np.abs(fit.residuals)
    some = size[:: max(len(size) // SOME, 1)]
    usual = float(np.partition(some, len(some) // 2)[len(some) // 2])
    limit = max(ODD * usual, ODD_BITS * fit.slope)
    if size.max() <= limit:
        return None
    worst = np.maximum.reduceat(size, fit.firsts)
    odd = np.flatnonzero(worst > limit)
    return odd if len(odd) <= len(worst) // 2 else None


def sound_frames(characters: Characters, count: int) -> NDArray[np.bool_]:
    """Per frame (a cut head is no frame): no fault that makes its boundaries doubtful."""
    errors = characters.errors[len(characters) - count :]
    sound: NDArray[np.bool_] = (errors & (FRAMING | BREAK | CUT)) == 0
    return sound


def _fit(
    times: NDArray[np.float64], frames: Frames, usable: NDArray[np.bool_], stop: int
) -> SharedSlope | None:
    """Times are counted from each frame's start edge, so that sums lose nothing."""
    places = frames.places
    counts = lengths(places, len(times))
    chosen = frames.element <= stop
    if not usable.all():
        chosen &= usable.repeat(counts)
    x, y = frames.element, times - times[places].repeat(counts)
    if not chosen.all():
        x, y = x[chosen], y[chosen]
        counts = np.add.reduceat(chosen, places, dtype=np.int64)
        counts = counts[counts > 0]
    if len(x) == 0:
        return None
    fit = fit_shared_slope(x.astype(np.float64), y, np.cumsum(counts) - counts)
    return fit if np.isfinite(fit.slope) else None


def value_of(fit: SharedSlope, predicted_s: float | None, bound_s: float = 0.0) -> Value | None:
    """The slope with its expanded uncertainty; `predicted_s` is the edge noise expected from noise and slope,
    s. Without a prediction the residuals stand alone; without residuals either there is no honest answer.

    `bound_s`: greatest error of an edge beside its noise, where the samples do not show the edges. Such
    errors may all pull one way, so the worst that they can do to the slope counts, or what the edges
    themselves leave open, if that is less.
    """
    freedom = max(fit.degrees_of_freedom, 0)
    prior, prior_s = (0.0, 0.0) if predicted_s is None else (PRIOR, predicted_s)
    if prior + freedom < 1:
        return None
    squares = inner(fit.residuals, fit.residuals)
    variance = (prior * prior_s**2 + squares) / (prior + freedom)
    u = student_95(prior + freedom) * (variance / fit.sxx) ** 0.5
    if bound_s > 0:
        u = combined(u, bound_s * float(np.abs(fit.dx).sum()) / fit.sxx)
        least, most = left_open(fit, bound_s + SURELY * prior_s)
        if 0 <= most - least < 2 * u:
            # errors that fill their bound lie anywhere in it: then the middle is the better estimate
            full = squares > len(fit.residuals) * (bound_s / 3) ** 2
            value = 0.5 * (least + most) if full else fit.slope
            u = min(u, max(most - value, value - least))
            return Value(value, u, u, "s")
    return Value(fit.slope, u, u, "s")


def left_open(fit: SharedSlope, bound_s: float) -> tuple[float, float]:
    """Least and greatest slope that puts no edge more than `bound_s` off its place in its frame; in the other
    order where none does.

    A slope does when it does for each pair of edges of each frame (intervals of which each two meet, all
    meet), so the ends come from the pairs.
    """
    # some hundred frames leave little open that more would close
    firsts = fit.firsts[:MOST_FRAMES]
    stop = int(np.append(fit.firsts, len(fit.dx))[len(firsts)])
    counts = lengths(firsts, stop)
    # a column for each frame, short ones filled up with their last edge: it is no distance from itself
    places = np.minimum(np.arange(int(counts.max(initial=0)))[:, None], counts - 1) + firsts
    one, other = _pairs(len(places))
    dx, residuals = fit.dx[places], fit.residuals[places]
    apart = dx[other] - dx[one]
    late = residuals[other] - residuals[one]
    told = apart > 0
    if not told.all():
        apart, late = apart[told], late[told]
    least = float(((late - 2 * bound_s) / apart).max(initial=-np.inf))
    most = float(((late + 2 * bound_s) / apart).min(initial=np.inf))
    return fit.slope + least, fit.slope + most


@cache
def _pairs(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """All pairs of `count` things, the earlier one first."""
    return np.triu_indices(count, 1)


def pooled_bit_time(readings: Sequence[LineReading]) -> Value | None:
    """One bit time from several shots of one line, weighted by what each is worth; None when none has one.

    If the shots scatter more than their uncertainties say, the pooled one grows by as much (Birge ratio).
    Where the samples do not show the edges, all shots may be wrong alike: the surest stands for all.
    """
    values = [reading.bit_time_s for reading in readings if reading.bit_time_s is not None]
    if not values:
        return None
    if any(reading.notes.get("edge_bound_s", 0.0) > 0 for reading in readings):
        surest = min(values, key=lambda value: value.u_record)
        u = max(abs(value.value - surest.value) - value.u_record for value in values)
        return Value(surest.value, max(u, surest.u_record), max(u, surest.u_record), "s")
    value, u = pooled([(value.value, value.u_record) for value in values])
    return Value(value, u, u, "s")
