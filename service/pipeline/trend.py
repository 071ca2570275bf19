"""What a number does over weeks: steady, drifting, or jumped; and until when it stays within its limits.

- Drift: the median of the slopes of all pairs of points with its interval (Theil 1950, Sen 1968).
- Jump: the largest Student t over all places of a jump, its probability multiplied by their number
  (Bonferroni), so that a steady series is called jumped at most once in 1 / `FALSE_JUMPS` looks.
- Which of the two explains a series better: Schwarz' criterion (1978), two numbers against three.
Formulae from memory; tests hold them against scipy and against simulations. Times are in days.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]

FALSE_JUMPS = 1e-4
"""Of looks at a steady series. A summary looks at hundreds of numbers a day (24 stations with 25 each):
at 1 in 1,000 something that is nothing would stand there every other day."""
DRIFT_CONFIDENCE = 1 - 1e-4
"""Of the slope's interval that must not hold zero, for the same reason: one look in ten thousand at a steady
series errs. A drift is then named a few days later, and none before its tenth point."""
INTERVAL = 0.95
FEWEST = 8
"""Points below which nothing is said."""
LEAST_SIDE = 3
"""Points that a jump needs on either side: fewer are an outlier."""
AHEAD = 6.0
"""Schwarz' "strong": by chance a drifting series looks like two levels now and then."""
STEADY, DRIFT, JUMP = "steady", "drift", "jump"
TOO_FEW = "too-few"


@dataclass(frozen=True)
class Slope:
    """y = level + slope x (t - at), per day; `low` and `high` hold the true slope with the confidence."""

    slope: float
    low: float
    high: float
    at: float
    """Median of the times."""
    level: float
    """Median of the values."""
    spread: float
    """Robust standard deviation about the line (1.4826 x MAD)."""
    count: int

    def value_at(self, t: float) -> float:
        return self.level + self.slope * (t - self.at)


@dataclass(frozen=True)
class Jump:
    """A change of level between the points `index - 1` and `index`."""

    index: int
    size: float
    p: float
    """Probability of as large a one in a steady series."""


@dataclass(frozen=True)
class Crossing:
    """When a drifting number meets its limit, days; `latest` None: perhaps never."""

    limit: float
    expected: float
    earliest: float
    latest: float | None


@dataclass(frozen=True)
class Trend:
    """What a series does. `since` is the first point that counts for the drift: all after the last jump."""

    kind: str
    since: int
    slope: Slope | None
    jump: Jump | None
    crossing: Crossing | None


def trend_of(t: Series, y: Series, low: float | None = None, high: float | None = None) -> Trend:
    """The trend of values `y` at rising times `t` (days), shape (points,), NaN not allowed.

    `low` and `high` are the limits of the newest point. ValueError when the shapes differ.
    """
    if t.shape != y.shape or t.ndim != 1:
        raise ValueError(f"times and values must be two equal rows, were {t.shape} and {y.shape}")
    if len(y) < FEWEST:
        return Trend(TOO_FEW, 0, None, None, None)
    jump, since = None, 0
    while (found := jump_of(y[since:])) is not None and _explains_better(t[since:], y[since:], found):
        jump = Jump(since + found.index, found.size, found.p)
        since = jump.index
        if len(y) - since < FEWEST:
            return Trend(JUMP, since, None, jump, None)
    slope = slope_of(t[since:], y[since:])
    if not drifts(t[since:], y[since:]):
        return Trend(STEADY if jump is None else JUMP, since, slope, jump, None)
    return Trend(DRIFT, since, slope, jump, crossing_of(slope, float(t[-1]), low, high))


def slope_of(t: Series, y: Series, confidence: float = INTERVAL) -> Slope:
    """The median of all pairs' slopes with Sen's interval. ValueError without two different times."""
    first, second = np.triu_indices(len(t), 1)
    dt = t[second] - t[first]
    apart = dt != 0
    if not np.any(apart):
        raise ValueError("a slope needs two different times")
    slopes = np.sort((y[second] - y[first])[apart] / dt[apart])
    low, high = _sen_interval(slopes, t, y, confidence)
    slope, at, level = float(np.median(slopes)), float(np.median(t)), float(np.median(y))
    residuals = y - level - slope * (t - at)
    spread = 1.4826 * float(np.median(np.abs(residuals - np.median(residuals))))
    return Slope(slope, low, high, at, level, spread, len(t))


def drifts(t: Series, y: Series) -> bool:
    """Whether zero lies outside the slope's interval of DRIFT_CONFIDENCE."""
    slope = slope_of(t, y, DRIFT_CONFIDENCE)
    return slope.low > 0 or slope.high < 0


def jump_of(y: Series) -> Jump | None:
    """The most telling change of level; None where a steady series may well look so."""
    n = len(y)
    if n < max(FEWEST, 2 * LEAST_SIDE):
        return None
    k = np.arange(LEAST_SIDE, n - LEAST_SIDE + 1, dtype=np.int64)
    before = np.cumsum(y)[k - 1] / k
    after = (float(np.sum(y)) - np.cumsum(y)[k - 1]) / (n - k)
    squares = float(np.sum((y - np.mean(y)) ** 2))
    between = (after - before) ** 2 * k * (n - k) / n
    within = np.maximum(squares - between, 0.0)
    best = int(np.argmax(between))
    size, index = float(after[best] - before[best]), int(k[best])
    if within[best] <= 1e-12 * squares:
        p = 0.0 if squares > 0 else 1.0
    else:
        p = min(two_sided_p(math.sqrt(between[best] * (n - 2) / within[best]), n - 2) * len(k), 1.0)
    by_medians = float(np.median(y[index:]) - np.median(y[:index]))
    agree = by_medians * size > 0 and abs(by_medians) > abs(size) / 2  # else a few outliers make the means
    return Jump(index, size, p) if p <= FALSE_JUMPS and agree else None


def crossing_of(slope: Slope, now: float, low: float | None, high: float | None) -> Crossing | None:
    """Where the line meets the limit that it runs towards; None when it has none there.

    The interval holds the true time in about 19 of 20 cases: slope and level at the ends of theirs.
    """
    limit = high if slope.slope > 0 else low
    if limit is None or slope.slope == 0:
        return None
    sign = math.copysign(1.0, slope.slope)
    room = (limit - slope.level) * sign
    steep, flat = sorted((slope.low * sign, slope.high * sign), reverse=True)
    doubt = 2 * 1.2533 * slope.spread / math.sqrt(slope.count)  # of a median, two standard deviations
    latest = None if flat <= 0 else max(slope.at + (room + doubt) / flat, now)
    return Crossing(
        limit=limit,
        expected=max(slope.at + room / abs(slope.slope), now),
        earliest=max(slope.at + (room - doubt) / steep, now),
        latest=latest,
    )


def two_sided_p(t: float, freedom: int) -> float:
    """P(|T| >= t) of Student's distribution by Wallace's normal approximation (1959)."""
    z = math.sqrt(freedom * math.log1p(t * t / freedom)) * (8 * freedom + 1) / (8 * freedom + 3)
    return math.erfc(z / math.sqrt(2))


def _explains_better(t: Series, y: Series, jump: Jump) -> bool:
    """Whether two levels are a better account of the series than one straight line."""
    line = slope_of(t, y)
    fitted = line.level + line.slope * (t - line.at)
    offset = float(np.median(y - fitted))
    n = len(y)
    of_line = float(np.sum((y - fitted - offset) ** 2))
    levels = np.where(np.arange(n) < jump.index, np.mean(y[: jump.index]), np.mean(y[jump.index :]))
    of_jump = float(np.sum((y - levels) ** 2))
    return _schwarz(of_jump, n, 3) + AHEAD < _schwarz(of_line, n, 2)


def _schwarz(squares: float, n: int, numbers: int) -> float:
    return n * math.log(max(squares, 1e-300) / n) + numbers * math.log(n)


def _sen_interval(slopes: Series, t: Series, y: Series, confidence: float) -> tuple[float, float]:
    """Ranks of the sorted slopes by the variance of Kendall's statistic, ties counted (Sen 1968)."""
    n, pairs = len(t), len(slopes)
    variance = n * (n - 1) * (2 * n + 5) / 18
    for values in (t, y):
        _, ties = np.unique(values, return_counts=True)
        variance -= float(np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    width = z * math.sqrt(max(variance, 0.0))
    high = min(round((pairs + width) / 2), pairs - 1)
    low = max(round((pairs - width) / 2) - 1, 0)
    return float(slopes[low]), float(slopes[high])
